"""What does the practice ask of the test, and what was done? Methods as files of models/methods."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability import catalogue
from durability.retention.response import with_response
from durability.units import unit

if TYPE_CHECKING:
    from durability.study.model import Study

TITLES = {
    "width": "width of a strip",
    "gauge_length": "length between the jaws",
    "jaw_width": "width of the jaws",
    "jaw_wider_by": "jaws wider than the strip by",
    "rate": "speed of the jaws",
    "rate_percent": "speed of the jaws",
    "pretension_share": "pretension, of the peak force",
    "strips": "strips of a group",
    "largest_elongation": "elongation",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """One way of breaking strips, with what it asks and where that was read.

    Parameters
    ----------
    name, title, made_for, notes, source : as in the file.
    strength_is : ``"force per width"``, or ``"force"`` where a width must not divide it.
    asks : quantity (a key of `TITLES`) to its value, unit, source and perhaps tolerance.
    """

    name: str
    title: str
    made_for: str
    strength_is: str
    source: str
    notes: str
    asks: dict[str, dict[str, Any]]

    def to_dict(self) -> dict[str, Any]:
        """The record as plain types."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """One thing in which a test was not as the practice asks, or was not said.

    Parameters
    ----------
    what : in words.
    asked, done : in words, with units; done is ``"not said"`` where study.toml leaves it out.
    source : where the asked number was read.
    """

    what: str
    asked: str
    done: str
    source: str

    def __str__(self) -> str:
        return f"{self.what}: {self.done}; the practice asks {self.asked} ({self.source})"


def read_method(name: str) -> Method:
    """One method of models/methods.

    Raises
    ------
    LookupError : an unknown name, with near spellings.

    Examples
    --------
    >>> read_method("cut-strip").asks["gauge_length"]["value"]
    75.0
    """
    raw = catalogue.read("methods", name)
    return Method(
        name=name,
        title=raw["title"],
        made_for=raw["made_for"],
        strength_is=raw["strength_is"],
        source=raw["source"],
        notes=raw.get("notes", ""),
        asks=raw.get("asks", {}),
    )


def methods() -> tuple[str, ...]:
    """Names of the methods.

    Examples
    --------
    >>> "wide-width" in methods()
    True
    """
    return tuple(catalogue.names("methods"))


def method_departures(study: Study) -> tuple[Departure, ...]:
    """Where the test of a study departs from the method that it names.

    Parameters
    ----------
    study : as read; ``method`` and what was done stand under [tensile] of study.toml.

    Returns
    -------
    tuple of Departure; empty where the study names no method or did all that it asks.
    """
    if study.tensile.method is None:
        return ()
    method = read_method(study.tensile.method)
    found = []
    if method.strength_is == "force" and unit(study.unit).dimension != "force":
        found.append(
            Departure(what="strength", asked="a force, never divided by a width",
                      done=f"{study.unit}", source=method.source)
        )  # fmt: skip
    for name, done in _done(study):
        ask = method.asks.get(name)
        if ask is None:
            continue
        words = _asked(name, ask)
        if done is None:
            done_words = "not said"
        elif _fits(name, ask, done):
            continue
        else:
            done_words = _with_unit(done, ask["unit"])
        found.append(
            Departure(what=TITLES[name], asked=words, done=done_words, source=ask["source"])
        )
    return tuple(found)


def _done(study: Study) -> Iterator[tuple[str, float | None]]:
    """What was done, quantity by quantity; None where study.toml does not say."""
    how, rows = study.tensile, study.rows
    widths = np.array([])
    if "width" in rows:
        widths = rows["width"].values.astype(float)
        widths = widths[np.isfinite(widths)]
    width = how.width if not widths.size else float(np.median(widths))
    yield "width", width
    yield "gauge_length", how.gauge_length
    yield "jaw_width", how.jaw_width
    if how.jaw_width is not None and width is not None:
        yield "jaw_wider_by", how.jaw_width - width
    length = how.gauge_length
    percent, rate = how.rate_percent, how.rate
    if percent is None and rate is not None and length:
        percent = 100 * rate / length
    if rate is None and percent is not None and length:
        rate = percent * length / 100
    yield "rate", rate
    yield "rate_percent", percent
    if how.pretension is not None and rows.sizes["row"]:
        strength = rows["strength"].values.astype(float)
        by_width = unit(study.unit).dimension == "force per width"
        force = (
            np.nanmean(strength) * unit(study.unit).factor * (width or np.nan if by_width else 1)
        )
        yield "pretension_share", float(how.pretension / force)
    else:
        yield "pretension_share", how.pretension
    counts = _counts(study)
    if counts.size:
        yield "strips", float(counts.min())
    try:
        stretch = with_response(study, "elongation").rows
    except ValueError:
        return
    used = stretch["used"].values.astype(bool)
    yield "largest_elongation", float(stretch["strength"].values[used].mean())


def _counts(study: Study) -> np.ndarray:
    from durability.retention.groups import groups

    if not study.rows.sizes["row"]:
        return np.array([])
    table = groups(study)
    n = (table["n"] + table["n_below"] + table["n_above"]).values
    return n[~table["summary"].values & (n > 0)]


def _fits(name: str, ask: dict[str, Any], done: float) -> bool:
    asked = float(ask["value"])
    if name in ("strips", "jaw_wider_by"):
        return done >= asked
    if name == "largest_elongation":
        return done <= asked
    # without a tolerance of the practice: a hundredth, since widths are read off a rule
    return abs(done - asked) <= float(ask.get("tolerance", 0.01 * asked)) + 1e-9


def _asked(name: str, ask: dict[str, Any]) -> str:
    words = _with_unit(float(ask["value"]), ask["unit"])
    if name in ("strips", "jaw_wider_by"):
        return f"at least {words}"
    if name == "largest_elongation":
        return f"at most {words}"
    if "tolerance" in ask:
        return f"{words} within {_with_unit(float(ask['tolerance']), ask['unit'])}"
    return words


def _with_unit(number: float, symbol: str) -> str:
    return f"{number:.4g}" if symbol == "1" else f"{number:.4g} {symbol}"
