"""Which groups of a study can its strips not tell apart? Words for the reader; the model stays.

Two groups are aliased where each member of one goes with one member of the other: the data hold
their sum, and priors alone divide it. Products have no common spread: laboratories or runs
of which each product saw but one are not told from products either.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

_MANY = {"laboratory": "laboratories", "run": "runs"}


def aliased_groups(text: Mapping[str, np.ndarray], exposed: np.ndarray) -> tuple[str, ...]:
    """Sentences on groups that are aliased, none where all are told apart.

    Parameters
    ----------
    text : columns material, lot, direction, laboratory, run and exposure, one entry a strip (or
        reading, look, ...); blank where not told.
    exposed : (entry,) bool: those that the threshold dose depends on.

    Returns
    -------
    tuple of str, without capital and full stop, as the notes of a model.

    Examples
    --------
    >>> import numpy as np
    >>> own = {"material": np.array(["A", "A", "B", "B"]), "lot": np.array(["1", "2", "1", "2"]),
    ...     "laboratory": np.array(["P", "P", "Q", "Q"]), "run": np.full(4, ""),
    ...     "direction": np.full(4, ""), "exposure": np.full(4, "X")}
    >>> aliased_groups(own, np.ones(4, bool))[0][:57]
    'no product was tested in more than one of the laboratorie'
    """
    columns = {k: np.asarray(v).astype(str)[exposed] for k, v in text.items()}
    material, exposure = columns["material"], columns["exposure"]
    lot = np.char.add(np.char.add(material, "\0"), columns["lot"])
    found = []
    present = [g for g in _MANY if len(set(columns[g]) - {""}) > 1]
    for group in present:
        mine, many = columns[group], _MANY[group]
        told = mine != ""
        member, of, under = mine[told], material[told], exposure[told]
        several = len(set(of)) > 1
        if several and _follows(member, of):
            found.append(
                f"no product was tested in more than one of the {many}: a difference between"
                f" products of two {many} may be one between the {many}, and only the prior of the"
                f" {group} spread tells them apart"
            )
        elif len(set(lot[told])) > len(set(of)) and _alike(member, lot[told]):
            found.append(
                f"each lot was tested in a {group} of its own: strips do not tell lots from {many},"
                " and priors alone divide their spread"
            )
        if _follows(member, columns["direction"][told]):
            found.append(
                f"no direction was tested in more than one of the {many}: a difference between the"
                f" directions may be one between the {many}, and only priors tell them apart"
            )
        if len(set(under)) > 1 and _alike(member, under):
            found.append(
                f"each exposure has a {group} of its own: strips do not tell exposures from {many},"
                " and priors alone divide their difference"
            )
    if len(present) > 1:
        both = (columns["laboratory"] != "") & (columns["run"] != "")
        if both.any() and _alike(columns["laboratory"][both], columns["run"][both]):
            found.append(
                "each laboratory had a run of its own: strips do not tell laboratories from runs,"
                " and priors alone divide their spread"
            )
    return tuple(found)


def _follows(of: np.ndarray, by: np.ndarray) -> bool:
    """Whether each member of `by` goes with one member of `of`, of which there are several."""
    return len(set(of)) > 1 and len(set(zip(of, by, strict=True))) == len(set(by))


def _alike(one: np.ndarray, other: np.ndarray) -> bool:
    return _follows(one, other) and _follows(other, one)
