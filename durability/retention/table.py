"""What does a technician read at once? One line a group: strips, mean, scatter, what is left."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from durability.retention.groups import group_codes, groups
from durability.retention.outliers import outliers
from durability.retention.response import Response, with_response
from durability.retention.retained import Method, retained_strength
from durability.retention.strength import strip_rows
from durability.statement import Statement, round_by_uncertainty

if TYPE_CHECKING:
    from durability.study.model import Study

REMARKS: dict[str, str] = {
    "censored": "a bound: strips beyond the limit of the test",
    "spread_borrowed": "scatter borrowed from other groups",
    "few_strips": "few strips",
    "spread_not_given": "no interval: scatter or number not given",
    "no_unexposed_strips": "no unexposed strips",
    "unexposed_borrowed": "unexposed strength taken from other lots",
    "percent_form": "percents as in the source",
    "one_lot": "one lot only",
    "two_lots": "two lots only",
    "lots_not_named": "lots not named",
    "lots_lack_unexposed": "some lots left out: no unexposed strips",
    "unexposed_scatter": "unexposed strips vary by more than 20 %",
    "above_unexposed": "above 125 % of unexposed",
    "control_interpolated": "control read between its withdrawals",
    "fieller_unbounded": "no interval: unexposed mean too uncertain",
}


def retention_table(
    study: Study,
    *,
    level: float = 0.95,
    method: Method = "log_ratio",
    response: Response = "strength",
) -> list[dict[str, Any]]:
    """Groups and what is left of them, as rows of a table.

    Groups that wait for their withdrawal are left out: the caution ``not_tested_yet`` names them.

    Parameters
    ----------
    study : as read.
    level : probability of the intervals.
    method, response : as in `retained_strength`.

    Returns
    -------
    list of dict, one a group and then one a dose for the mean of the lots, with the keys
    material, lot (``"all"`` for the mean of lots), direction, exposure, dose (number), dose_unit,
    hours (or None), n (strips measured, or lots), not_used, mean [unit], unit, cv [1], retained,
    low, high (of the retained fraction; None where not stated; strength in `unit` where there are
    no unexposed strips), left (the same as text: ``"52 % (45 to 60)"``), remarks (text). Numbers
    that do not exist are None.

    Examples
    --------
    >>> from durability.study import read_study
    >>> rows = retention_table(read_study("examples/quarry-cover"))  # in a clone
    >>> [r["left"] for r in rows if (r["lot"], r["hours"]) == ("A1", 1500)]
    ['28.1 % (22.7 to 34.7)', '22.4 % (20.0 to 25.1)']
    """
    import math

    found_statements = retained_strength(study, level=level, method=method, response=response)
    stated = {_key(s): s for s in found_statements}
    study = with_response(study, response)
    table = groups(study)
    remarks, waiting = _strip_remarks(study)

    def number(name: str, g: int) -> float | None:
        x = float(table[name].values[g])
        return x if math.isfinite(x) else None

    found: list[dict[str, Any]] = []
    hours: dict[tuple[str, float], float | None] = {}
    for g in range(table.sizes["group"]):
        counts = {k: int(table[k].values[g]) for k in ("n", "n_below", "n_above", "n_not_used")}
        if waiting.get(g, 0) == sum(counts.values()):
            continue
        label = [str(table[k].values[g]) for k in ("material", "lot", "direction", "exposure")]
        dose = float(table["dose"].values[g])
        hours[(label[3], dose)] = number("hours", g)
        s = stated.get((*label, dose, False))
        if s is None and not label[1]:
            s = stated.get((*label, dose, True))
        notes = list(remarks.get(g, ()))
        if not table["summary"].values[g]:
            notes += [f"{counts['n_below']} below the limit"] if counts["n_below"] else []
            notes += [f"{counts['n_above']} at least as strong"] if counts["n_above"] else []
        whole = counts["n_below"] + counts["n_above"] == 0
        row = _row(study, label, dose, s, notes)
        row |= {
            "hours": number("hours", g),
            "n": counts["n"],
            "not_used": counts["n_not_used"],
            "mean": number("mean", g) if whole else None,
            "cv": number("cv", g) if whole else None,
        }
        found.append(row)
    for s in stated.values():
        if s.of == "mean" and "lots_not_named" not in s.flags:
            label = [s.material or "", "all", s.direction or "", s.exposure or ""]
            row = _row(study, label, s.dose or 0.0, s, [])
            lots = {
                k[1] for k in stated if (k[0], *k[2:]) == (label[0], *label[2:], row["dose"], False)
            }
            start = s.quantity.startswith("unexposed")
            row |= {
                "hours": hours.get((label[3], row["dose"])),
                "n": len(lots),
                "not_used": 0,
                "mean": s.value if start else None,
                "cv": None,
            }
            found.append(row)
    return found


def _key(s: Statement) -> tuple[Any, ...]:
    return (
        s.material or "", s.lot or "", s.direction or "", s.exposure or "", s.dose or 0.0,
        s.of == "mean",
    )  # fmt: skip


def _row(
    study: Study, label: list[str], dose: float, s: Statement | None, notes: list[str]
) -> dict[str, Any]:
    exposure = study.exposures.get(label[3])
    row: dict[str, Any] = dict(
        zip(("material", "lot", "direction", "exposure"), label, strict=True)
    )
    row |= {
        "dose": dose,
        "dose_unit": exposure.dose_unit if exposure else "",
        "hours": None, "n": 0, "not_used": 0, "mean": None, "unit": study.unit, "cv": None,
        "retained": None, "low": None, "high": None, "left": "",
    }  # fmt: skip
    if s is not None and s.quantity.startswith("retained"):
        row |= {"retained": s.value, "low": s.low, "high": s.high, "left": left_in_words(s)}
    elif s is not None:
        row["left"] = f"start: {left_in_words(s)}"
    flags = () if s is None else s.flags
    row["remarks"] = "; ".join([*notes, *(REMARKS[f] for f in flags)])
    return row


def left_in_words(s: Statement) -> str:
    """A retained strength as short text, fractions as percent.

    Examples
    --------
    >>> left_in_words(Statement(quantity="retained_strength", unit="1", value=0.521, low=0.446,
    ...     high=0.609, kind="confidence"))
    '52.1 % (44.6 to 60.9)'
    """
    factor, unit = (100, "%") if s.unit == "1" else (1, s.unit)
    numbers = [None if x is None else factor * x for x in (s.value, s.low, s.high)]
    shown = round_by_uncertainty(*numbers)
    value, low, high = shown["value"], shown["low"], shown["high"]
    if value is None:
        return f"at least {low} {unit}" if low is not None else f"at most {high} {unit}"
    if low is not None and high is not None:
        return f"{value} {unit} ({low} to {high})"
    if low is not None or high is not None:
        return f"{value} {unit} (at {'least' if low is not None else 'most'} {low or high})"
    return f"{value} {unit}"


def _strip_remarks(study: Study) -> tuple[dict[int, list[str]], dict[int, int]]:
    """What to say of single strips, and how many wait to be tested, by group."""
    rows = strip_rows(study)
    code, _ = group_codes(rows)
    found: dict[int, list[str]] = {}
    named = [c for c in study.cautions if c.name == "not_tested_yet"]
    planned = {(c.file, line) for c in named for line in c.rows}
    waiting: dict[int, int] = {}
    for i in (~rows["used"].values.astype(bool)).nonzero()[0]:
        if (str(rows["file"].values[i]), int(rows["line"].values[i])) in planned:
            waiting[int(code[i])] = waiting.get(int(code[i]), 0) + 1
        text = f"strip {rows['specimen'].values[i]} not used: {rows['reason'].values[i]}"
        found.setdefault(int(code[i]), []).append(text)
    place = {
        (str(f), int(line)): int(c)
        for f, line, c in zip(rows["file"].values, rows["line"].values, code, strict=True)
    }
    for o in outliers(study):
        text = (
            f"strip {o.specimen} stands out, kept (Grubbs, p {o.p_value:.2g} in its group, "
            f"{o.p_study:.2g} among all groups)"
        )
        found.setdefault(place[(o.file, o.line)], []).append(text)
    return found, waiting
