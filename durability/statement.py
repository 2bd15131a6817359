"""What may be said, in one number? The statement: a quantity, its interval and what it leans on.

Everything that a report, a table or the terminal prints is a `Statement`; nothing else is
quoted. Results are lists of them (`Statements`), written to ``results.json`` and shown as a
pandas frame or an xarray dataset.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, field, fields
from typing import TYPE_CHECKING, Any, Literal, get_args

if TYPE_CHECKING:
    import pandas
    import xarray

SCHEMA = "durability-results/1"

Quantity = Literal[
    "unexposed_strength",
    "retained_strength",
    "unexposed_elongation",
    "retained_elongation",
    "unexposed_stiffness",
    "retained_stiffness",
    "strength_against_control",
    "threshold_dose",
    "threshold_hours",
    "outdoor_days",
    "days_to_cover",
    "ratio_of_threshold_doses",
    "price_of_dose",
    "price_of_day",
    "days_tested",
    "outdoor_equivalent",
    "lamp_hours_for",
    "strength_left",
    "chance_of_holding",
    "reduction_factor",
]
Subject = Literal["mean", "new_lot", "single_specimen"]
Kind = Literal["credible", "confidence", "prediction", "tolerance"]

QUANTITIES: dict[str, str] = {
    "unexposed_strength": "strength before exposure",
    "retained_strength": "strength left after a dose, as a fraction of the unexposed strength"
    " (in the study's unit where no unexposed strips were tested)",
    "unexposed_elongation": "elongation at peak force before exposure",
    "retained_elongation": "elongation at peak force left after a dose, as a fraction of the "
    "unexposed one",
    "unexposed_stiffness": "secant stiffness before exposure",
    "retained_stiffness": "secant stiffness left after a dose, as a fraction of the unexposed one",
    "strength_against_control": "strength after exposure to light, as a fraction of that of strips "
    "kept beside it without light for the same hours",
    "threshold_dose": "dose at which the stated fraction of the unexposed strength is left",
    "threshold_hours": "lamp hours, dark phases included, in which that dose is delivered",
    "outdoor_days": "days in the open at the site until that fraction is left",
    "days_to_cover": "whole days after laying within which the product must be covered",
    "ratio_of_threshold_doses": "threshold dose divided by that of the control",
    "price_of_dose": "price of a square metre divided by its threshold dose",
    "price_of_day": "price of a square metre divided by its days in the open at the site",
    "days_tested": "whole days after laying that the doses tested bear out by themselves",
    "outdoor_equivalent": "days in the open at the site that do the damage of a lamp dose",
    "lamp_hours_for": "lamp hours, dark phases included, that do the damage of days at the site",
    "strength_left": "strength left after time in the open, as a fraction of the unexposed one",
    "chance_of_holding": "probability that what is required is still left after time in the open",
    "reduction_factor": "unexposed strength divided by the strength left when it is covered",
}
KINDS: tuple[str, ...] = get_args(Kind)
SUBJECTS: dict[str, str] = {
    "mean": "the median lot",
    "new_lot": "a new lot",
    "single_specimen": "single strips of a new lot",
}
_NUMBERS = (
    "value", "low", "high", "dose", "fraction", "share", "extrapolation_factor", "probability",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """One quoted number: what it is, of what, how sure, and what it leans on.

    Parameters
    ----------
    quantity : one of `QUANTITIES`.
    unit : unit of value, low and high, with its band where it is a radiant dose, such as
        ``"kJ/(m² nm) at 340 nm"``; ``"1"`` for a fraction or ratio.
    of : the median lot (``mean``), a lot not yet made (``new_lot``) or single strips
        (``single_specimen``); None for a quantity of one named lot or a group of strips.
    value : central value (posterior median unless the assumptions say otherwise); None in a bound,
        and in an interval whose middle is not defined.
    low, high : limits of the interval; None where a limit does not exist (a bound).
    level : probability carried by the interval, 0 to 1. With ``sides=1`` all of it lies on
        one side.
    kind : ``credible``, ``confidence``, ``prediction`` or ``tolerance``.
    sides : 2 for an interval, 1 for a bound.
    material, lot, direction, exposure, site, month, dose, fraction, share : the subject; None
        where it does not apply. ``dose`` is in the unit of the exposure, ``month`` 1 to 12,
        ``share`` the content of a single-specimen statement (share of strips that still hold).
    extrapolated, extrapolation_factor : whether the value lies beyond the largest tested dose,
        and the value divided by that dose.
    law : name of the degradation law, or None.
    assumptions, flags : names that ``results.json`` explains.
    probability : probability that the quantity exists (that the threshold is ever reached).
    against : in a ratio, the material in its denominator; None means the study's control.

    Examples
    --------
    >>> s = Statement(quantity="threshold_dose", material="A", direction="machine", of="new_lot",
    ...     exposure="X1", fraction=0.5, value=1913.2, low=1604.0, high=2377.0, level=0.95,
    ...     kind="credible", unit="kJ/(m² nm) at 340 nm")
    >>> s.figures()
    '1910 kJ/(m² nm) at 340 nm (95 % credible interval 1600 to 2380)'
    """

    quantity: Quantity
    unit: str
    of: Subject | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None
    level: float = 0.95
    kind: Kind = "credible"
    sides: Literal[1, 2] = 2
    material: str | None = None
    lot: str | None = None
    direction: str | None = None
    exposure: str | None = None
    site: str | None = None
    month: int | None = None
    dose: float | None = None
    fraction: float | None = None
    share: float | None = None
    extrapolated: bool = False
    extrapolation_factor: float | None = None
    law: str | None = None
    assumptions: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    probability: float | None = None
    against: str | None = None

    def __post_init__(self) -> None:
        for f in fields(self):  # numbers from arrays become plain ones
            plain = getattr(getattr(self, f.name), "item", None)
            if plain is not None:
                object.__setattr__(self, f.name, plain())
        if self.quantity not in QUANTITIES:
            raise ValueError(
                f"quantity {self.quantity!r} is unknown; known: {', '.join(QUANTITIES)}"
            )
        if self.of is not None and self.of not in SUBJECTS:
            raise ValueError(f"of {self.of!r} is unknown; known: {', '.join(SUBJECTS)}")
        if self.kind not in KINDS:
            raise ValueError(f"kind {self.kind!r} is unknown; known: {', '.join(KINDS)}")
        if not self.unit:
            raise ValueError('a statement needs a unit; "1" for a fraction or ratio')
        if self.month is not None and self.month not in range(1, 13):
            raise ValueError(f"month is {self.month}; it must be 1 to 12")
        if not 0 < self.level < 1:
            raise ValueError(f"level is {self.level}; it must lie between 0 and 1")
        for name in _NUMBERS:
            number = getattr(self, name)
            if number is not None and not math.isfinite(number):
                raise ValueError(
                    f"{name} of a statement is {number}; say None for a number that does not exist"
                )
        limits = (self.low is not None) + (self.high is not None)
        if self.value is None and not limits:
            raise ValueError("a statement needs a value or a limit")
        if self.sides not in (1, 2):
            raise ValueError(f"sides is {self.sides}; it must be 1 or 2")
        if self.sides == 1 and limits != 1:
            raise ValueError("a one-sided statement has exactly one limit")
        if self.sides == 2 and limits == 1:
            raise ValueError("a two-sided statement has both limits or neither")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"low is {self.low}, above high, which is {self.high}")

    @property
    def is_bound(self) -> bool:
        """True when no central value is stated: one limit, or both (with ``sides=2``)."""
        return self.value is None

    @property
    def id(self) -> str:
        """A readable name, unique among the statements of one result."""
        subject = [
            self.quantity,
            self.material,
            self.lot,
            self.direction,
            self.exposure,
            self.of,
            None if self.fraction is None else f"{self.fraction:g}",
            None if self.share is None else f"share{self.share:g}",
            self.site,
            None if self.month is None else f"m{self.month:02d}",
            None if self.dose is None else f"d{self.dose:g}",
            self.law,
            self.kind if self.sides == 2 else f"{self.kind}-bound{self._assurance()}",
            *(["fieller"] if "fieller" in self.assumptions else []),
            *([] if self.against is None else [f"against {self.against}"]),
        ]
        return "/".join("-" if part is None else str(part).replace("/", "_") for part in subject)

    def _assurance(self) -> str:
        """Bounds of one subject may be stated at several levels; 0.95 goes without saying."""
        return "" if self.level == 0.95 else f"-{self.level:g}"

    def numbers(self) -> dict[str, str]:
        """`value`, `low` and `high` as text, rounded by the width of the interval.

        The limit of a one-sided statement is rounded away from the value, so that "at least" and
        "at most" stay true.
        """
        shown = round_by_uncertainty(self.value, self.low, self.high, outward=self.sides == 1)
        if self.quantity in ("days_to_cover", "days_tested") and self.low is not None:
            shown["low"] = f"{math.floor(self.low + 1e-9)}"
        return {name: text for name, text in shown.items() if text is not None}

    def interval(self) -> str:
        """The interval in words: '95 % credible interval 1600 to 2380'."""
        n = self.numbers()
        level = f"{100 * self.level:.3g} %"
        if self.low is not None and self.high is not None:
            return f"{level} {self.kind} interval {n['low']} to {n['high']}"
        side = "lower" if self.low is not None else "upper"
        return f"{level} one-sided {self.kind} {side} bound"

    def figures(self) -> str:
        """Number, unit and interval as one phrase, without naming the subject."""
        n = self.numbers()
        unit = "" if self.unit == "1" else f" {self.unit}"
        if self.is_bound and self.sides == 2:
            level = f"{100 * self.level:.3g} % {self.kind} interval"
            return f"between {n['low']} and {n['high']}{unit} ({level})"
        if self.is_bound:
            words = "at least" if self.low is not None else "at most"
            number = n["low"] if self.low is not None else n["high"]
            return f"{words} {number}{unit} ({self.interval()})"
        if self.low is None and self.high is None:
            return f"{n['value']}{unit}"
        if self.sides == 1:
            side = "low" if self.low is not None else "high"
            words = "at least" if side == "low" else "at most"
            return f"{n['value']}{unit}, {words} {n[side]} ({self.interval()})"
        return f"{n['value']}{unit} ({self.interval()})"

    def to_dict(self) -> dict[str, Any]:
        """The statement as plain types for JSON, with its id."""
        record = {"id": self.id, **asdict(self)}
        record["assumptions"] = list(self.assumptions)
        record["flags"] = list(self.flags)
        return record

    @classmethod
    def from_dict(cls, record: dict[str, Any]) -> Statement:
        """The inverse of `to_dict`; the id is derived again, not read."""
        known = {f.name for f in fields(cls)}
        kept = {k: v for k, v in record.items() if k in known}
        kept["assumptions"] = tuple(kept.get("assumptions", ()))
        kept["flags"] = tuple(kept.get("flags", ()))
        return cls(**kept)


@dataclass(frozen=True, slots=True, eq=False)
class Statements:
    """A list of statements that shows itself as a table.

    Examples
    --------
    >>> s = Statement(quantity="unexposed_strength", material="A", value=20.3, low=19.8,
    ...     high=20.9, unit="kN/m", of="mean")
    >>> len(Statements([s]).where(material="A"))
    1
    """

    items: tuple[Statement, ...] = field(default_factory=tuple)

    def __init__(self, items: Iterable[Statement] = ()) -> None:
        object.__setattr__(self, "items", tuple(items))

    def __iter__(self) -> Iterator[Statement]:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)

    def __getitem__(self, i: int) -> Statement:
        return self.items[i]

    def __add__(self, other: Statements) -> Statements:
        return Statements((*self.items, *other.items))

    def where(self, test: Callable[[Statement], bool] | None = None, **subject: Any) -> Statements:
        """Those whose named fields equal the values given (and that pass `test`)."""
        known = {f.name for f in fields(Statement)}
        unknown = sorted(set(subject) - known)
        if unknown:
            raise ValueError(f"{unknown[0]!r} is no field of a statement; known: {sorted(known)}")
        return Statements(
            s
            for s in self.items
            if all(getattr(s, k) == v for k, v in subject.items()) and (test is None or test(s))
        )

    def one(self, **subject: Any) -> Statement:
        """The single statement whose fields equal the values given; an error otherwise."""
        found = self.where(**subject)
        if len(found) != 1:
            raise LookupError(f"{len(found)} statements match {subject}; expected one")
        return found[0]

    def to_list(self) -> list[dict[str, Any]]:
        """The statements as plain records."""
        return [s.to_dict() for s in self.items]

    def to_frame(self) -> pandas.DataFrame:
        """One row a statement."""
        import pandas

        names = ["id", *(f.name for f in fields(Statement))]
        return pandas.DataFrame(self.to_list(), columns=pandas.Index(names))

    def to_dataset(self) -> xarray.Dataset:
        """Variables along the dimension ``statement``, labelled by id."""
        import numpy
        import xarray

        records = self.to_list()
        numeric = {
            "value", "low", "high", "level", "sides", "month", "dose", "fraction", "share",
            "extrapolation_factor", "probability",
        }  # fmt: skip
        variables: dict[str, Any] = {}
        for f in fields(Statement):
            column = [r[f.name] for r in records]
            if f.name in numeric:
                data = numpy.array([numpy.nan if v is None else v for v in column], dtype=float)
            elif f.name == "extrapolated":
                data = numpy.array(column, dtype=bool)
            elif f.name in ("assumptions", "flags"):
                data = numpy.array([" ".join(v) for v in column], dtype=str)
            else:
                data = numpy.array(["" if v is None else v for v in column], dtype=str)
            variables[f.name] = ("statement", data)
        ids = numpy.array([r["id"] for r in records], dtype=str)
        return xarray.Dataset(variables, coords={"statement": ids}, attrs={"schema": SCHEMA})

    def rows(self) -> list[tuple[str, str, str]]:
        """(subject, quantity, figures) for each statement: what the reprs draw on."""
        return [(_subject(s), s.quantity.replace("_", " "), s.figures()) for s in self.items]

    def __repr__(self) -> str:
        rows = self.rows()
        if not rows:
            return "Statements: none"
        w0 = max(len(r[0]) for r in rows)
        w1 = max(len(r[1]) for r in rows)
        return "\n".join(f"{a:<{w0}}  {b:<{w1}}  {c}" for a, b, c in rows)

    def _repr_html_(self) -> str:
        body = "".join(
            "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>"
            for row in self.rows()
        )
        return f"<table><tr><th>subject</th><th>quantity</th><th>statement</th></tr>{body}</table>"


def _subject(s: Statement) -> str:
    pair = s.material if s.against is None else f"{s.material} / {s.against}"
    parts = [pair, s.lot and f"lot {s.lot}", s.direction, s.exposure, s.site]
    if s.month is not None:
        parts.append(MONTHS[s.month - 1])
    if s.dose is not None:
        parts.append(f"at {s.dose:g}")
    if s.fraction is not None:
        parts.append(f"{100 * s.fraction:g} % left")
    if s.of is not None:
        parts.append(SUBJECTS[s.of])
    if s.share is not None:
        parts.append(f"{100 * s.share:g} % of strips")
    return ", ".join(p for p in parts if p)


MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August",
    "September", "October", "November", "December",
)  # fmt: skip


def round_by_uncertainty(
    value: float | None,
    low: float | None = None,
    high: float | None = None,
    *,
    outward: bool = False,
) -> dict[str, str | None]:
    """Round a number by the width of its interval: two digits of the half-width.

    The last digit shown is that of the second significant figure of half the interval, three
    significant digits where there is no interval. All three numbers get the same last digit.

    Parameters
    ----------
    value, low, high : float or None
        Central value and limits, one unit.
    outward : round low down and high up, as a bound asks.

    Returns
    -------
    dict with the keys value, low, high; None stays None.

    Examples
    --------
    >>> round_by_uncertainty(1913.2, 1604.0, 2377.0)
    {'value': '1910', 'low': '1600', 'high': '2380'}
    >>> round_by_uncertainty(0.5123, 0.4871, 0.5391)
    {'value': '0.512', 'low': '0.487', 'high': '0.539'}
    """
    known = [x for x in (value, low, high) if x is not None and math.isfinite(x)]
    if not known:
        return {"value": None, "low": None, "high": None}
    if len(known) == 1:
        width = abs(known[0]) / 10 or 1.0
    else:
        width = (max(known) - min(known)) / (2 if len(known) == 3 else 1)
    largest = max(abs(x) for x in known)
    if width <= 0:
        width = largest / 100 or 1.0
    width = max(width, largest * 1e-9)
    digits = 1 - math.floor(math.log10(width))

    def text(x: float | None, away: int = 0) -> str | None:
        if x is None or not math.isfinite(x):
            return None
        rounded = round(x, digits)
        step = 10.0**-digits
        if away and away * (x - rounded) > 1e-9 * max(step, abs(x)):  # rounded towards the value
            rounded = round(rounded + away * step, digits)
        return f"{rounded or 0.0:.{max(digits, 0)}f}"  # no minus before 0

    away = 1 if outward else 0
    return {"value": text(value), "low": text(low, -away), "high": text(high, away)}
