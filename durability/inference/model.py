"""What is the statistical model of one study and law? Its terms, its data, and in words.

    log strength of a strip = log unexposed strength of its lot and direction
                              + log g0(dose / s; shape) + strip scatter
    s = threshold dose at the fraction q / g0^-1(q; shape)
    log threshold dose = product + lot + direction + laboratory + run
    product ~ a wide normal, or a line in covariates + spread of products
    dose = what the exposure's clock delivers, whose parameters are in the model

`durability.inference.build` makes it from the study's own columns: effects appear when the data
hold them. Strips are reduced to sufficient statistics of each cell (lot, direction, exposure,
dose); readings to those of each specimen; inspections and a data sheet's word refer to cells too.
"""

from __future__ import annotations

import functools
import json
import math
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from contextvars import ContextVar
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from durability import catalogue
from durability.laws import Law

if TYPE_CHECKING:
    from durability.study import Study

Errors = Literal["lognormal", "normal", "power", "student"]
ERRORS: tuple[str, ...] = get_args(Errors)
ON_LOGS = ("lognormal", "student")
"""Errors of log strengths; the others are of strengths, as shares of the unexposed strength."""
Sharing = Literal["product", "shared", "pooled"]
Form = Literal["linear", "log", "smooth", "class"]

SPREADS = {
    "lot": "lot_spread_of_threshold",
    "laboratory": "laboratory_spread_of_threshold",
    "run": "run_spread_of_threshold",
    "specimen": "specimen_spread_of_threshold",
    "direction_of_lot": "direction_of_lot_spread_of_threshold",
    "lot_in_both_directions": "shared_lot_spread_of_strength",
    "strip_spread": "product_spread_of_strip_spread",
    "start": "lot_spread_of_strength",
    "product": "product_spread_of_threshold",
}
"""The prior (in models/priors.toml) of the spread of each family of effects; that of product
effects on a shape is ``product_spread_of_shape``."""


def spread_name(family: str) -> str:
    """Name of the prior of a family's spread.

    Examples
    --------
    >>> spread_name("lot"), spread_name("shape_k")
    ('lot_spread_of_threshold', 'product_spread_of_shape')
    """
    return SPREADS.get(family, "product_spread_of_shape")


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """What a user may ask of the model beyond what the data call for.

    Parameters
    ----------
    shape : shapes of the law by ``"product"``, one ``"shared"`` by all, or ``"pooled"``: by
        product, with a common centre and an estimated spread.
    spread : scatter of strips, likewise.
    covariates : (name, form) of covariates that move a product's threshold dose; None takes those
        that the study holds over enough products, an empty tuple none. Products are then
        partially pooled about the line.
    pool : partial pooling of products about a common mean without any covariate.
    """

    shape: Sharing = "product"
    spread: Sharing = "product"
    covariates: tuple[tuple[str, Form], ...] | None = None
    pool: bool = False

    @classmethod
    def asked(cls, study: Study) -> Structure:
        """What study.toml asks under [model], or what stands in its place."""
        asked = study.choices
        covariates: Any = asked.covariates
        return cls(shape=asked.shape, spread=asked.spread, covariates=covariates, pool=asked.pool)

    def to_json(self) -> str:
        """The options as text, to be kept beside draws."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> Structure:
        """The inverse of `to_json`."""
        kept = json.loads(text)
        if kept.get("covariates") is not None:
            kept["covariates"] = tuple((name, form) for name, form in kept["covariates"])
        return cls(**kept)


_changed: ContextVar[Mapping[str, Any]] = ContextVar("priors that an earlier study changed")


def priors() -> dict[str, Any]:
    """The content of models/priors.toml, with what `changed_priors` changes."""
    return {**_priors_file(), **_changed.get({})}


@functools.cache
def _priors_file() -> dict[str, Any]:
    with open(catalogue.models_folder() / "priors.toml", "rb") as stream:
        return tomllib.load(stream)


def relative_spread(left: Any, power: Any) -> Any:
    """Spread of strips over that of unexposed ones, where it goes as a power of what is left.

    Parameters
    ----------
    left : retained fraction of the product; power : of it, see models/priors.toml.

    Examples
    --------
    >>> [float(x) for x in relative_spread([1.0, 0.25, 1e-6], 0.5).round(4)]
    [1.0, 0.5, 0.1414]
    """
    return np.maximum(left, priors()["spread_power"]["least_left"]) ** power


@contextmanager
def changed_priors(tables: Mapping[str, Any]) -> Iterator[None]:
    """Inside the block other tables stand in the place of those of models/priors.toml."""
    token = _changed.set({**_changed.get({}), **tables})
    try:
        yield
    finally:
        _changed.reset(token)


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught:
    """What earlier studies changed in the priors of a model.

    Parameters
    ----------
    source : the earlier studies, in words; power : how much they count.
    products : of this model, whose threshold dose they speak of.
    tables : those of models/priors.toml that are changed.
    earlier : the content of `durability.inference.checking.earlier.EarlierPrior`.
    words : what was taken and what was not.
    """

    source: str
    power: float
    products: tuple[str, ...]
    tables: dict[str, Any]
    earlier: dict[str, Any]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A parameter with a normal prior that acts on log threshold dose or on a clock.

    Parameters
    ----------
    name, subject : of the parameter, such as activation_energy and the polymer.
    mean, sd : of the normal prior, cut off at `low` and `high`.
    unit : of the value.
    """

    name: str
    subject: str
    mean: float
    sd: float
    low: float = -math.inf
    high: float = math.inf
    unit: str = "1"

    @property
    def bounded(self) -> bool:
        """The prior is cut off on a side."""
        return math.isfinite(self.low) or math.isfinite(self.high)

    @property
    def label(self) -> str:
        """Name and subject, as the posterior names its variable (where a slash parts folders)."""
        return f"{self.name}[{self.subject}]".replace("/", "_")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClockTerms:
    """How the exposures of one material deliver effective dose, as far as that is uncertain.

    log effective dose = constant + linear @ z + z @ quadratic @ z / 2, with
    z = (value - mean) / sd of each parameter: exact for a lamp, an expansion for a sky.

    Parameters
    ----------
    parameters : of the clock: activation energy, reciprocity exponent, a scale of each exposure's
        dose, what a sky adds. One of the same name and subject in another material is the same.
    family : exposure to family. Exposures of one family share one threshold dose, in the
        effective dose of `constant`.
    exposure : (n,) names; every exposure and dose above 0 of the material has a row.
    dose : (n,) as the study's tables have it when its doses are filled.
    constant : (n,) log effective dose where every parameter has its prior mean.
    linear : (n, k)
    quadratic : (n, k, k), symmetric.
    """

    parameters: tuple[Column, ...]
    family: dict[str, str]
    exposure: np.ndarray
    dose: np.ndarray
    constant: np.ndarray
    linear: np.ndarray
    quadratic: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Model:
    """The statistical model of one study and law, as index arrays and sufficient statistics.

    Rows of `cells` are unique (series, specimen if read, exposure, dose, run); `series` are
    (material, lot, direction, laboratory). Strengths are logs for lognormal and Student errors,
    plain for normal errors and a power of the mean; of a property that rises, logs with the sign
    turned.
    """

    law: Law
    errors: Errors
    rises: bool
    fraction: float  # of which the prior of the threshold dose speaks; below 1
    materials: tuple[str, ...]
    mains: tuple[tuple[str, str], ...]  # (material, family of exposures)
    main_product: np.ndarray  # (n_main,): index into materials
    anchor: np.ndarray  # (n_product,): fraction whose threshold dose is sampled, near the data
    starts: tuple[tuple[str, str], ...]  # (material, direction)
    structure: Structure
    groups: tuple[str, ...]  # what threshold doses vary over: lot, then laboratory, run, specimen
    others: tuple[str, ...]  # further families of effects: on shapes, scatter, unexposed strength
    effects: tuple[tuple[str, str], ...]  # (group, name); lots first
    effect_index: np.ndarray  # (n_effect, 2): place in groups and others, main (-1 for none)
    own_slot: np.ndarray  # (n_product, 2): which shape and which strip spread is a product's
    own_effect: np.ndarray  # (n_product, 1 + n_shape): effect on its log strip spread and on its
    # log shapes, -1 for none
    line: np.ndarray  # (n_main, n_column): of the prior mean of main effects; (0, 0) unpooled
    lots: tuple[tuple[str, str], ...]  # (material, lot) of materials with several lots
    single_lot: np.ndarray  # (n_product,): 1 for a material of one lot
    reading_index: np.ndarray  # (n_product,): place of its reading spread, -1 without readings
    series: tuple[tuple[str, str, str, str], ...]
    columns: tuple[Column, ...]
    families: dict[str, str]  # exposure -> family
    main_prior: np.ndarray  # (n_main, 2): mean and sd of log threshold dose
    start_prior: np.ndarray  # (n_start, 2)
    start_known: float | None  # log of the known unexposed strength (percent data)
    series_index: np.ndarray  # (n_series, 10): product, start, and first and end of the series'
    # strip cells, specimens that were read, and censored strips; effects on strength that a lot's
    # directions share and of the series itself (where it is a parameter), -1 for none
    sub_range: np.ndarray  # (n_sub, 2): first and end cell of a specimen that was read
    cell_index: np.ndarray  # (n_cell, 2): product, main
    cell_effect: np.ndarray  # (n_cell, n_group): effect of each group, -1 for none
    cell_exposure: tuple[str, ...]
    cell_dose: np.ndarray
    log_dose: np.ndarray  # dose with the constant part of the clock, -inf at dose 0
    count: np.ndarray
    freedom: np.ndarray
    mean: np.ndarray
    squares: np.ndarray
    extra: np.ndarray  # variance of the mean that the source adds (a figure read off a page)
    design: np.ndarray  # (n_cell, n_column): of log threshold dose
    bow_range: np.ndarray  # (n_cell, 2): first and end of the cell's quadratic terms
    bow_index: np.ndarray  # (n_bow, 2): columns
    bow: np.ndarray  # (n_bow,): of log effective dose, by the values of both columns
    strip_cell: np.ndarray  # cell of each measured strip, for models written strip by strip
    strip_value: np.ndarray
    censored_index: np.ndarray  # (n_censored, 2): cell, sign
    censored_limit: np.ndarray
    inspected_index: np.ndarray  # (n_inspected, 3): cells at the low and high dose (-1: none),
    # start (-1: the limit is a fraction)
    inspected_number: np.ndarray  # (n_inspected, 2): limit, specimens
    declared_index: np.ndarray  # (n_declared, 2): cell, start (-1: a fraction is declared)
    declared_number: np.ndarray  # (n_declared, 3): log of what is said, width, skewness
    conditions: dict[tuple[str, str, str], tuple[float, np.ndarray]]  # (material, direction,
    # exposure) -> clock offset, design
    condition_bows: dict[tuple[str, str, str], tuple[tuple[int, int, float], ...]]  # their
    # quadratic terms of log effective dose
    last_dose: dict[tuple[str, str], float]  # (material, exposure) -> largest tested dose
    first_dose: dict[tuple[str, str], float]
    flags: dict[str, tuple[str, ...]]  # material -> names
    notes: tuple[str, ...] = ()  # what of the structure a reader must know, in words
    taught: Taught | None = None  # what earlier studies changed in the priors

    def own_priors(self) -> AbstractContextManager[None]:
        """A block in which `priors` are those of this model."""
        return changed_priors(self.taught.tables if self.taught else {})

    @property
    def both_ways(self) -> tuple[str, ...]:
        """Materials whose lots have an effect of their own in each direction."""
        if "direction_of_lot" not in self.groups:
            return ()
        column = self.cell_effect[:, self.groups.index("direction_of_lot")]
        found = set(self.cell_index[column >= 0, 0].tolist())
        return tuple(m for i, m in enumerate(self.materials) if i in found)

    @property
    def strong_both_ways(self) -> tuple[str, ...]:
        """Materials whose lots' unexposed strengths share a part in both directions."""
        found = set(self.series_index[self.series_index[:, 8] >= 0, 0].tolist())
        return tuple(m for i, m in enumerate(self.materials) if i in found)

    @property
    def on_logs(self) -> bool:
        """Errors are of log strengths."""
        return self.errors in ON_LOGS

    @property
    def start_effects(self) -> np.ndarray:
        """Places among the effects of the unexposed strengths of series, where these are parameters
        (Student errors); none where they are integrated out."""
        return np.flatnonzero(self.effect_index[:, 0] == len(self.groups) + len(self.others))

    @property
    def n_node(self) -> int:
        """Gauss-Hermite nodes of the integral over a lot's unexposed strength beside censored
        strips, which are sharp where their spread falls with what is left."""
        return 31 if self.errors == "power" else 15

    @property
    def half_loss(self) -> bool:
        """The law is anchored at half its own loss, since it may never fall to a fraction asked."""
        return not (self.law.monotone and self.law.reaches_zero)

    def equation(self) -> list[str]:
        """The model as lines a person can read."""
        scatter = {
            "student": "spread * Student's t(degrees of freedom)",
            "power": "normal(0, spread * R(dose)^power)",
        }.get(self.errors, "normal(0, spread)")
        sign = "- " if self.rises else "+ "
        left = "log strength" if self.on_logs else "strength / unexposed"
        terms = ["product", *(g.replace("_", " ") for g in self.groups)]
        named = {c.name for c in self.columns if c.name not in ("covariate", "pooled")}
        terms += [n.replace("_", " ") for n in sorted(named)]
        level = "dose of half its own loss" if self.half_loss else "threshold dose"
        lines = [
            f"{left} = log unexposed(lot, direction) {sign}log R(dose) + {scatter}"
            if self.on_logs
            else f"{left} = R(dose) * (1 + lot) + {scatter}",
            f"R = {self.law.expression}, u = dose / s, s = {level} / [scaled dose there]"
            + ("" if self.half_loss else f" at q = {self.fraction:g}"),
            f"log {level} = " + " + ".join(terms),
            *(
                f"{g} ~ normal(0, {g} spread), {g} spread estimated"
                for g in (n.replace("_", " ") for n in self.groups)
            ),
        ]
        lines += self._own_words()
        if self.start_known is None:
            lines.append(
                "log unexposed(lot, direction) ~ normal(product and direction, lot spread)"
            )
        else:
            lines.append("unexposed strength = 100 % by definition of the data")
        if self.sub_range.size:
            lines.append(
                "a specimen read repeatedly departs from its lot as a strip does; its readings"
                " scatter by the reading spread"
            )
        if self.inspected_index.size:
            lines.append("a crossing lies between the two doses inspected")
        if self.declared_index.size:
            lines.append("a declared typical value is near the mean, a minimum is below it")
        return lines

    def _own_words(self) -> list[str]:
        """Lines on what products have in common, and on clocks that bend."""
        lines = []
        if self.line.size:
            about = [c.subject for c in self.columns if c.name == "covariate"]
            lines.append(
                f"product ~ normal({' + '.join(['common', *about])}, spread of products),"
                " spread of products estimated"
            )
        for what, sharing in (("shape", self.structure.shape), ("spread", self.structure.spread)):
            if sharing == "shared":
                lines.append(f"one {what} for all products")
            elif sharing == "pooled":
                lines.append(
                    f"log {what} of a product ~ normal(common log {what}, spread of products)"
                )
        if "lot_in_both_directions" in self.others:
            lines.append(
                "the unexposed strengths of a lot's directions share a part: normal(0, spread)"
            )
        if self.bow.size:
            lines.append("log dose on the common clock = a quadratic in the clock's parameters")
        return lines

    @property
    def n_strips(self) -> int:
        """Strips, readings, inspections and declared values that carry information."""
        others = len(self.inspected_index) + len(self.declared_index)
        return int(self.freedom.sum()) + self.censored_limit.size + others
