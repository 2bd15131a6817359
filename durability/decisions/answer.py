"""What is the whole answer to a study? Every statement, in a fixed order, each under its own id."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from durability.decisions.compare import compare
from durability.decisions.cover import cover_statements
from durability.statement import Statements

if TYPE_CHECKING:
    from durability.translation import ThresholdPosterior, Translation


def answer(
    fit: ThresholdPosterior,
    translations: Sequence[Translation] = (),
    *,
    assurance: float | None = None,
    level: float | None = None,
) -> Statements:
    """All that a study says: strengths, threshold doses, ratios to the control, days at each site.

    Parameters
    ----------
    fit : the fit.
    translations : of this fit, one a site.
    assurance, level : of days to cover and of their intervals; None takes the study's.

    Returns
    -------
    Statements
        Unexposed and retained strength; what the fit states; ratios of threshold doses where the
        study names a control that was fitted; then days, site by site. No two share an id.

    Raises
    ------
    ValueError
        When two statements have one id, as when a site is translated twice.
    """
    control = fit.study.question.control
    said = fit.study.retention() + fit.statements()
    if control in fit.materials and len(fit.materials) > 1:
        said = said + compare(fit, control)
    for translation in translations:
        said = said + cover_statements(translation, fit, assurance=assurance, level=level)
    twice = [name for name, count in Counter(s.id for s in said).items() if count > 1]
    if twice:
        raise ValueError(
            f"{len(twice)} statements are made twice, such as {twice[0]}; "
            "give each site, and each subject, once"
        )
    return said


__all__ = ["answer"]
