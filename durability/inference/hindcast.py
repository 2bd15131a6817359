"""Would the laboratory have foretold the strips in the open? Predicts them as if unseen.

The model is fitted to the laboratory exposures alone; the effective dose of each withdrawal in the
open is drawn from the site's clock with all its uncertainty, the part that remains unexplained
between lamp and sky included; and the strips found are held against what was predicted. With
several sites each is also predicted from the laboratory and the other sites together.

A strip's strength is compared with its own lot's unexposed strips; their number and the scatter of
strips are part of the predicted interval.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.inference.clock_terms import material_clock
from durability.inference.fit import fit
from durability.inference.foretold import predicted_groups, sites_of, without_sites
from durability.inference.sampling import Progress, Sampler

if TYPE_CHECKING:
    import pandas

    from durability.laws import Law
    from durability.study import Study

LABORATORY = "laboratory"
OTHERS = "laboratory and other sites"

FLAGS: dict[str, str] = {
    "hindcast_misses": "Fewer groups of strips in the open lie inside their predicted intervals "
    "than chance explains: lamp and sky differ more than the model allows.",
    "hindcast_few": "Fewer than five groups of strips in the open: their share inside the intervals"
    " says little.",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hindcast:
    """Strips in the open beside what was predicted without them.

    Parameters
    ----------
    title : of the study.
    law : name of the degradation law.
    level : of the predicted intervals.
    seed : of fits and draws.
    groups : one row a withdrawal: ``given`` (what was fitted), ``material``, ``lot``,
        ``direction``, ``exposure``, ``site``, ``days`` since laying, ``n`` strips, ``observed``
        share of the unexposed strength, ``predicted`` with ``low`` and ``high`` for the mean of n
        strips, ``inside``, ``strips`` that were measured singly and ``strips_inside`` their own
        interval, ``equivalent_dose`` (median) and ``dose_unit``: what the lamp would have needed.
    skipped : withdrawals that could not be predicted, in words.
    """

    title: str
    law: str
    level: float
    seed: int
    groups: pandas.DataFrame
    skipped: tuple[str, ...] = ()

    def coverage(self, given: str = LABORATORY) -> dict[str, float]:
        """Shares inside the predicted intervals, and how many there were.

        Parameters
        ----------
        given : ``"laboratory"`` or ``"laboratory and other sites"``.

        Returns
        -------
        ``groups``, ``groups_inside`` [1], ``strips``, ``strips_inside`` [1]; nan where none.
        """
        mine: Any = self.groups[self.groups["given"] == given]
        strips = int(mine["strips"].sum())
        return {
            "groups": float(len(mine)),
            "groups_inside": float(mine["inside"].mean()) if len(mine) else math.nan,
            "strips": float(strips),
            "strips_inside": float(mine["strips_inside"].sum() / strips) if strips else math.nan,
        }

    def flags(self) -> tuple[str, ...]:
        """Names in `FLAGS` of what a reader must know.

        Groups of one site share what is unexplained there, so they miss together: the chance is
        taken for independent sites, not groups.
        """
        from scipy.stats import binom

        mine: Any = self.groups[self.groups["given"] == LABORATORY]
        found = ["hindcast_few"] if len(mine) < 5 else []
        sites = mine.groupby(["material", "site"])["inside"].mean()
        missed = int((sites < 0.5).sum())
        if sites.size and binom.sf(missed - 1, sites.size, 1 - self.level) < 0.05 and missed:
            found.append("hindcast_misses")
        return tuple(found)

    def to_frame(self) -> pandas.DataFrame:
        """The groups, one row a withdrawal; what a figure draws."""
        return self.groups.copy()

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "title": self.title,
            "law": self.law,
            "level": self.level,
            "seed": self.seed,
            "groups": self.groups.to_dict("records"),
            "coverage": {g: self.coverage(g) for g in dict.fromkeys(self.groups["given"])},
            "flags": list(self.flags()),
            "skipped": list(self.skipped),
        }

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        found = [("study", self.title), ("law", self.law)]
        for given in dict.fromkeys(self.groups["given"]):
            c = self.coverage(given)
            text = (
                f"{c['groups_inside']:.0%} of {c['groups']:.0f} groups inside the "
                f"{self.level:.0%} interval"
            )
            if c["strips"]:
                text += f", {c['strips_inside']:.0%} of {c['strips']:.0f} strips"
            found.append((f"from {given}", text))
        found += [("not predicted", text) for text in self.skipped]
        return [*found, *(("flag", FLAGS[name]) for name in self.flags())]

    def __repr__(self) -> str:
        return "Hindcast\n" + "\n".join(f"  {a}: {b}" for a, b in self.rows())

    def _repr_html_(self) -> str:
        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in self.rows()
        )
        return f"<table>{body}</table>"


def hindcast(
    study: Study | str | Path,
    *,
    law: str | Path | Law | None = None,
    level: float = 0.9,
    leave_one_site_out: bool = True,
    sampler: Sampler | None = None,
    seed: int = 0,
    progress: Progress | None = None,
) -> Hindcast:
    """Predict the strips in the open from the laboratory, and count how many were foretold.

    Parameters
    ----------
    study : a study, or its folder, with outdoor exposures that name their sites beside a lamp.
    law : as in `durability.fit`.
    level : of the predicted intervals.
    leave_one_site_out : where there are several sites, predict each from laboratory and the others
        as well.
    sampler, seed, progress : as in `durability.fit`.

    Returns
    -------
    Hindcast

    Raises
    ------
    StudyError : no strips in the open at a named site, or no strips under a lamp like the sun.
    """
    from durability.inference.checking.earlier import one_law
    from durability.retention import with_strength
    from durability.study import read_study

    if isinstance(study, str | Path):
        study = read_study(study)
    study = with_strength(study)
    _refuse(study)
    the_law = one_law(study, law)
    runs = [(LABORATORY, sites_of(study), without_sites(study, sites_of(study)))]
    if leave_one_site_out and len(sites_of(study)) > 1:
        runs += [(OTHERS, (site,), without_sites(study, (site,))) for site in sites_of(study)]
    records: list[dict[str, Any]] = []
    skipped: dict[str, None] = {}
    for i, (given, sites, known) in enumerate(runs):
        if progress is not None:
            progress(f"fitting {given}", i / len(runs))
        seen = fit(known, law=the_law, sampler=sampler, seed=seed)
        for material in study.materials:
            found, missed = predicted_groups(study, seen, material, sites, level=level, seed=seed)
            records += [{"given": given, **record} for record in found]
            skipped |= dict.fromkeys(missed)
    import pandas

    return Hindcast(
        title=study.title,
        law=seen.law,
        level=level,
        seed=seed,
        groups=pandas.DataFrame(records, columns=pandas.Index(COLUMNS)),
        skipped=tuple(skipped),
    )


COLUMNS = (
    "given", "material", "lot", "direction", "exposure", "site", "days", "n", "observed",
    "predicted", "low", "high", "inside", "strips", "strips_inside", "equivalent_dose",
    "dose_unit",
)  # fmt: skip


def _refuse(study: Study) -> None:
    from durability.study import Problem, StudyError

    problems = []
    if not sites_of(study):
        problems.append(
            Problem(
                file="study.toml",
                column="exposures",
                expected="an outdoor exposure that names its site, with strips that are used",
                mend='Under [exposures.NAME] write lamp = "outdoor", site = "NAME", laid = DATE.',
            )
        )
    elif not any(
        clock.skies for m in study.materials if (clock := material_clock(study, m)) is not None
    ):
        problems.append(
            Problem(
                file="study.toml",
                column="exposures",
                expected="strips of the same material under a lamp whose dose the sun delivers too",
                mend="A laboratory exposure behind a daylight filter, with its irradiance, is what "
                "a site can be predicted from.",
            )
        )
    if problems:
        raise StudyError(problems)


__all__ = ["FLAGS", "LABORATORY", "OTHERS", "Hindcast", "hindcast"]
