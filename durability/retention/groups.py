"""How strong were the strips of each group? Counts, means and scatter, one row a group.

A group is the strips of one material, lot, direction, exposure and dose. Unexposed strips are
unexposed whichever exposure their rows name: they form one group, with exposure ``""``.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.retention.strength import strip_rows

if TYPE_CHECKING:
    import xarray
    from numpy.typing import NDArray

    from durability.study.model import Study

DIRECTIONS = ("machine", "cross")
SAME_DOSE = 1e-9
"""Doses that differ by less than this fraction are one dose (rounding of a unit conversion)."""


def group_codes(rows: xarray.Dataset) -> tuple[NDArray[np.int64], dict[str, NDArray[Any]]]:
    """The group of each row, and the labels of the groups in order.

    Parameters
    ----------
    rows : Dataset along ``row`` with a finite ``dose`` on each.

    Returns
    -------
    codes : int array along ``row``: the number of its group.
    labels : material, lot, direction, exposure, dose and summary of each group. Groups come by
        material, lot, direction (machine first) and exposure (unexposed first), numbers in labels
        by size, and by dose; a summary is a group of its own.
    """
    import pandas

    dose = rows["dose"].values.astype(float)
    levels, at = np.unique(dose, return_inverse=True)
    step = np.diff(levels) > SAME_DOSE * np.abs(levels[1:])
    of_level = np.concatenate([[0], np.cumsum(step)]).astype(np.int64)
    doses = levels[np.concatenate([[True], step])] if levels.size else levels
    unexposed = dose == 0
    exposure = np.where(unexposed, "", rows["exposure"].values.astype(object))
    summary = rows["summary"].values.astype(bool)
    keys: list[tuple[str, NDArray[Any]]] = [
        (name, rows[name].values.astype(object)) for name in ("material", "lot", "direction")
    ]
    keys.append(("exposure", exposure))
    columns: list[NDArray[np.int64]] = []
    values: dict[str, NDArray[Any]] = {}
    for name, column in keys:
        code, known = pandas.factorize(column)
        order = sorted(range(len(known)), key=lambda i: _by_size(str(known[i])))
        rank = np.empty(len(known), dtype=np.int64)
        rank[order] = np.arange(len(known))
        columns.append(rank[code])
        values[name] = np.asarray(known, dtype=object)[order]
    columns.append(of_level[at.ravel()])
    columns.append(np.where(summary, 1 + np.arange(dose.size), 0).astype(np.int64))
    combined = np.zeros(dose.size, dtype=np.int64)
    for column in columns:
        # renumbering after each key keeps the product of two counts far from overflow
        combined = combined * (int(column.max(initial=0)) + 1) + column
        _, combined = np.unique(combined, return_inverse=True)
        combined = combined.ravel().astype(np.int64)
    _, first, codes = np.unique(combined, return_index=True, return_inverse=True)
    labels: dict[str, NDArray[Any]] = {
        name: values[name][column[first]]
        for name, column in zip(("material", "lot", "direction", "exposure"), columns, strict=False)
    }
    labels["dose"] = doses[columns[4][first]]
    labels["summary"] = summary[first]
    return codes.ravel().astype(np.int64), labels


def _by_size(label: str) -> tuple[Any, ...]:
    """Key that sorts labels as people do: L2 before L10, machine before cross.

    Examples
    --------
    >>> sorted(["L10", "L2", "cross", "", "machine"], key=_by_size)
    ['', 'machine', 'cross', 'L2', 'L10']
    """
    if label in DIRECTIONS:
        return (("", -1, DIRECTIONS.index(label)),)
    parts = re.split(r"(\d+)", label.casefold())
    return tuple((p, -1, 0) if i % 2 == 0 else ("", int(p), 0) for i, p in enumerate(parts))


def groups(study: Study) -> xarray.Dataset:
    """Counts, means and scatter of every group of strips.

    Parameters
    ----------
    study : as read; hours are turned into dose by the clock of each exposure.

    Returns
    -------
    xarray.Dataset along ``group`` with

        ====================  =====================================================================
        material, lot,        text
        direction, exposure
        dose                  float [dose unit of the exposure]
        hours                 float [h]; nan where not known
        summary               bool; True for a mean that the study gives, each its own group
        n                     int; measured strips that are used (0: a summary that does not say)
        n_below, n_above      int; used strips known only to be below, or at least, their limit
        n_not_used            int; excluded strips
        mean, sd, min, max    float [unit of the study]; of the measured strips
        cv                    float [1]; sd/mean
        mean_log, sd_log      float; of the logarithm of strength
        bound                 int; 0 where all strips were measured, -1 where the mean is at most
                              `bound_mean`, +1 where it is at least that
        bound_mean, bound_sd  float [unit]; mean and sd with each limit put in for its strip (a
                              strip below its limit counts 0 where others are above theirs); equal
                              to `mean` and `sd` where all were measured
        ====================  =====================================================================

        Where ``bound`` is not 0, ``mean`` describes the measured strips only and estimates
        nothing. Logarithms of a summary are the lognormal's with its mean and sd.

    Examples
    --------
    >>> from durability.study import read_study
    >>> found = groups(read_study("examples/uv-cycles"))  # in a clone
    >>> found["n"].values[:4].tolist(), found["mean"].values[:4].round(1).tolist()
    ([4, 4, 4, 3], [586.6, 599.9, 429.5, 654.1])
    """
    import xarray

    rows = strip_rows(study)
    code, labels = group_codes(rows)
    size = labels["dose"].size
    strength = rows["strength"].values.astype(float)
    censored = rows["censored"].values.astype(int)
    used = rows["used"].values.astype(bool)
    summary = rows["summary"].values.astype(bool)
    count = np.where(summary, rows["n"].values.astype(int), 1)
    missing = used & ~np.isfinite(strength)
    if missing.any():
        at = int(np.flatnonzero(missing)[0])
        raise ValueError(f"row {at} is used but has no strength ({int(missing.sum())} such rows)")

    def total(weight: NDArray[Any], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
        return np.bincount(code[keep], weights=weight[keep].astype(float), minlength=size)

    measured = used & (censored == 0)
    below, above = used & (censored < 0), used & (censored > 0)
    known = np.maximum(count, summary)  # a censored summary that does not say its n counts one
    n = total(count, measured)
    n_below, n_above = total(known, below), total(known, above)
    bound = np.where(n_above > 0, 1, np.where(n_below > 0, -1, 0))
    limits = np.where(below & (bound[code] > 0), 0.0, strength)

    is_summary = labels["summary"]
    given = np.where(is_summary, total(np.ones_like(strength), measured), n)
    mean, sd = _moments(strength, measured, code, given)
    bound_mean, bound_sd = _moments(limits, used, code, total(np.ones_like(strength), used))
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_log, sd_log = _moments(np.log(strength), measured, code, given)
    own_sd = np.full(size, np.nan)
    own_sd[code[summary & used]] = rows["sd"].values.astype(float)[summary & used]
    sd = np.where(is_summary, np.where(given > 0, own_sd, np.nan), sd)
    bound_sd = np.where(is_summary, own_sd, bound_sd)
    with np.errstate(divide="ignore", invalid="ignore"):
        cv = sd / mean
        lognormal = np.sqrt(np.log1p(cv**2))
    sd_log = np.where(is_summary, lognormal, sd_log)
    shift = np.where(np.isfinite(lognormal), lognormal**2 / 2, 0.0)
    mean_log = np.where(is_summary, mean_log - shift, mean_log)

    def extreme(start: float, take: np.ufunc) -> NDArray[np.float64]:
        found = np.full(size, start)
        take.at(found, code[measured], strength[measured])
        return np.where(np.isfinite(found) & ~is_summary, found, np.nan)

    hours = np.full(size, np.nan)
    hours[code[::-1]] = rows["hours"].values.astype(float)[::-1]
    floats = {
        "hours": hours, "mean": mean, "sd": sd, "cv": cv, "mean_log": mean_log, "sd_log": sd_log,
        "min": extreme(np.inf, np.minimum), "max": extreme(-np.inf, np.maximum),
        "bound_mean": bound_mean, "bound_sd": bound_sd,
    }  # fmt: skip
    counts = {
        "n": n, "n_below": n_below, "n_above": n_above,
        "n_not_used": total(np.ones_like(strength), ~used), "bound": bound,
    }  # fmt: skip
    variables: dict[str, Any] = {
        name: ("group", labels[name].astype(object))
        for name in ("material", "lot", "direction", "exposure")
    }
    variables |= {"dose": ("group", labels["dose"]), "summary": ("group", is_summary)}
    variables |= {name: ("group", array.astype(np.int64)) for name, array in counts.items()}
    variables |= {name: ("group", array) for name, array in floats.items()}
    found = xarray.Dataset(variables)
    for name in ("mean", "sd", "min", "max", "bound_mean", "bound_sd"):
        found[name].attrs["units"] = study.unit
    found["hours"].attrs["units"] = "h"
    return found


def _moments(
    value: NDArray[np.float64],
    keep: NDArray[np.bool_],
    code: NDArray[np.int64],
    n: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and standard deviation by group, in two passes; nan where there are too few."""
    at, kept = code[keep], value[keep]
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(at, weights=kept, minlength=n.size) / n
        squares = np.bincount(at, weights=(kept - mean[at]) ** 2, minlength=n.size)
        sd = np.where(n > 1, np.sqrt(squares / (n - 1)), np.nan)
    return np.where(n > 0, mean, np.nan), sd
