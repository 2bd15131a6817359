"""Is a study folder fit to be run? Problems and cautions, those of lamps and curves included."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from durability.study import Caution, Problem


def findings_of(folder: Path) -> tuple[list[Problem], list[Caution]]:
    """Everything wrong and everything unwise in a study folder, its records and curves included.

    Parameters
    ----------
    folder : that holds study.toml.

    Returns
    -------
    problems, cautions : no problems means that the study can be run.

    Examples
    --------
    >>> problems, cautions = findings_of(Path("no such folder"))
    >>> len(problems), cautions
    (1, [])
    """
    from durability.exposure import delivery_cautions, departure_cautions, with_doses
    from durability.retention import with_strength
    from durability.study import StudyError, check_study, read_study

    try:
        read = read_study(folder)
    except StudyError:
        return check_study(folder)
    problems: list[Problem] = []
    for fill in (with_strength, with_doses):
        try:
            read = fill(read)
        except StudyError as error:
            problems += error.problems
    if problems:
        return problems, list(read.cautions)
    return [], [*read.cautions, *delivery_cautions(read), *departure_cautions(read)]
