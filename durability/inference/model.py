"""Which statistical model do these data call for? Built from the study's own columns.

    log strength of a strip = log unexposed strength of its lot and direction
                              + log g0(dose / s; shape) + strip scatter
    s = threshold dose at the fraction q / g0^-1(q; shape)
    log threshold dose = product + lot + direction (+ clock of the exposure)

Effects appear when the data hold them: lots partially pooled, directions as a contrast, the clock
(reciprocity exponent, activation energy, dose calibration) when one band was used at several
settings. Strips are reduced to sufficient statistics of each cell (lot, direction, exposure, dose).
"""

from __future__ import annotations

import functools
import math
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability import catalogue
from durability.exposure import delivery, with_dose
from durability.laws import Law

if TYPE_CHECKING:
    import xarray

    from durability.study import Study

Errors = Literal["lognormal", "normal"]
GAS_CONSTANT = 8.314462618e-3  # [kJ/(mol K)], exact by the 2019 definition of the SI


@functools.cache
def priors() -> dict[str, Any]:
    """The content of models/priors.toml."""
    with open(catalogue.models_folder() / "priors.toml", "rb") as stream:
        return tomllib.load(stream)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A linear term of log threshold dose with a normal prior."""

    name: str
    subject: str
    mean: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Model:
    """The statistical model of one study and law, as index arrays and sufficient statistics.

    Rows of `cells` are unique (series, exposure, dose); `series` are (material, lot, direction).
    Strengths are logs for lognormal errors, plain for normal errors.
    """

    law: Law
    errors: Errors
    fraction: float
    materials: tuple[str, ...]
    mains: tuple[tuple[str, str], ...]  # (material, family of exposures)
    main_product: np.ndarray  # (n_main,): index into materials
    anchor: np.ndarray  # (n_product,): fraction whose threshold dose is sampled, near the data
    starts: tuple[tuple[str, str], ...]  # (material, direction)
    lots: tuple[tuple[str, str], ...]  # (material, lot) of materials with several lots
    single_lot: np.ndarray  # (n_product,): 1 for a material of one lot
    series: tuple[tuple[str, str, str], ...]
    columns: tuple[Column, ...]
    families: dict[str, str]  # exposure -> family
    main_prior: np.ndarray  # (n_main, 2): mean and sd of log threshold dose
    start_prior: np.ndarray  # (n_start, 2)
    start_known: float | None  # log of the known unexposed strength (percent data)
    series_index: np.ndarray  # (n_series, 4): material, start, first cell, end cell
    lot_main: np.ndarray  # (n_lot,)
    cell_index: np.ndarray  # (n_cell, 2): main, lot (-1 where the material has one lot)
    cell_exposure: tuple[str, ...]
    cell_dose: np.ndarray
    log_dose: np.ndarray  # dose with the constant part of the clock, -inf at dose 0
    count: np.ndarray
    freedom: np.ndarray
    mean: np.ndarray
    squares: np.ndarray
    design: np.ndarray  # (n_cell, n_column)
    strip_cell: np.ndarray  # cell of each measured strip, for models written strip by strip
    strip_value: np.ndarray
    censored_range: np.ndarray  # (n_series, 2)
    censored_index: np.ndarray  # (n_censored, 2): cell, sign
    censored_limit: np.ndarray
    readings: dict[tuple[str, str, str], tuple[float, np.ndarray]]
    last_dose: dict[tuple[str, str], float]  # (material, exposure) -> largest tested dose
    first_dose: dict[tuple[str, str], float]
    flags: dict[str, tuple[str, ...]]  # material -> names

    def equation(self) -> list[str]:
        """The model as lines a person can read."""
        scatter = "normal(0, spread)"
        left = "log strength" if self.errors == "lognormal" else "strength / unexposed"
        terms = ["product", "lot"]
        names = {c.name for c in self.columns}
        terms += [n.replace("_", " ") for n in sorted(names)]
        lines = [
            f"{left} = log unexposed(lot, direction) + log R(dose) + {scatter}"
            if self.errors == "lognormal"
            else f"{left} = R(dose) * (1 + lot) + {scatter}",
            f"R = {self.law.expression}, u = dose / s,"
            f" s = threshold dose / [{self.law.inverse_expression or 'inverse'}]"
            f" at q = {self.fraction:g}",
            "log threshold dose = " + " + ".join(terms),
            "lot ~ normal(0, lot spread), lot spread estimated",
        ]
        if self.start_known is None:
            lines.append(
                "log unexposed(lot, direction) ~ normal(product and direction, lot spread)"
            )
        else:
            lines.append("unexposed strength = 100 % by definition of the data")
        return lines

    @property
    def n_strips(self) -> int:
        """Strips or summary means that carry information, censored ones included."""
        return int(self.freedom.sum()) + self.censored_limit.size


def _codes(keys: list[tuple[str, ...]]) -> tuple[list[tuple[str, ...]], dict[tuple[str, ...], int]]:
    order = list(dict.fromkeys(keys))
    return order, {key: i for i, key in enumerate(order)}


def build_model(
    study: Study, law: Law, *, errors: Errors = "lognormal", rows: xarray.Dataset | None = None
) -> Model:
    """The model of a study.

    Parameters
    ----------
    study : the study, read.
    law : the degradation law.
    errors : ``"lognormal"`` (constant relative scatter) or ``"normal"`` (constant scatter, as a
        share of the mean unexposed strength).
    rows : rows with dose; by default `durability.exposure.with_dose` of the study.

    Returns
    -------
    Model
    """
    data = with_dose(study) if rows is None else rows
    used = data["used"].values.astype(bool)
    data = data.isel(row=np.flatnonzero(used))
    text = {
        n: data[n].values.astype(str).tolist() for n in ("material", "lot", "direction", "exposure")
    }
    dose = data["dose"].values.astype(float)
    strength = data["strength"].values.astype(float)
    sd = data["sd"].values.astype(float)
    n = data["n"].values.astype(float)
    summary = data["summary"].values.astype(bool)
    censored = data["censored"].values.astype(int)
    percent = study.unit == "%"

    setting, families = _settings(study, text, dose)
    materials = [m for m in study.materials if m in set(text["material"])]
    row_series = list(zip(text["material"], text["lot"], text["direction"], strict=True))
    series, series_code = _codes(sorted(row_series, key=lambda k: (materials.index(k[0]), k[1:])))
    every_lot = list(dict.fromkeys((m, lot) for m, lot, _ in series))
    single = {m for m in materials if sum(k[0] == m for k in every_lot) == 1}
    lots, lot_code = _codes([k for k in every_lot if k[0] not in single])
    starts, start_code = _codes([(m, d) for m, _, d in series])
    lit = dose > 0
    mains, main_code = _codes(
        sorted(
            {
                (m, families[x])
                for m, x, on in zip(text["material"], text["exposure"], lit, strict=True)
                if on
            },
            key=lambda k: (materials.index(k[0]), list(families.values()).index(k[1])),
        )
    )
    columns, column_of = _columns(study, materials, series, setting, families)

    # one cell for each series, exposure and dose; unexposed strips have no exposure
    exposure = [x if on else "" for x, on in zip(text["exposure"], lit, strict=True)]
    s_row = np.array([series_code[k] for k in row_series])
    exposures = list(study.exposures)
    x_row = np.array([exposures.index(x) if x else -1 for x in exposure])
    keys = np.rec.fromarrays([s_row, dose > 0, x_row, dose])
    unique, cell_row = np.unique(keys, return_inverse=True)
    n_cell = unique.size
    c_series, c_exposure, c_dose = unique["f0"], unique["f2"], unique["f3"]

    count, freedom, total = np.zeros(n_cell), np.zeros(n_cell), np.zeros(n_cell)
    squares = np.zeros(n_cell)
    measured = censored == 0
    n_eff = np.where(summary & (n < 1), 1.0, n)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(summary & (n > 1), sd, np.nan)
        if errors == "lognormal":
            var_log = np.log1p((spread / strength) ** 2)
            var_log = np.where(np.isfinite(var_log), var_log, 0.0)
            value = np.log(strength) - var_log / 2
            inner = (n_eff - 1) * var_log
        else:
            value = strength.copy()
            inner = np.where(np.isfinite(spread), (n_eff - 1) * spread**2, 0.0)
    dof = np.where(summary & ~np.isfinite(spread), 1.0, n_eff)
    use = measured & np.isfinite(value)
    np.add.at(count, cell_row[use], n_eff[use])
    np.add.at(freedom, cell_row[use], dof[use])
    np.add.at(total, cell_row[use], n_eff[use] * value[use])
    mean = np.divide(total, count, out=np.zeros(n_cell), where=count > 0)
    np.add.at(
        squares, cell_row[use], inner[use] + n_eff[use] * (value[use] - mean[cell_row[use]]) ** 2
    )

    cell_index = np.zeros((n_cell, 2), dtype=np.int64)
    log_dose = np.full(n_cell, -np.inf)
    design = np.zeros((n_cell, len(columns)))
    readings: dict[tuple[str, str, str], tuple[float, np.ndarray]] = {}
    last_dose: dict[tuple[str, str], float] = {}
    first_dose: dict[tuple[str, str], float] = {}
    for g in range(n_cell):
        material, lot, direction = series[c_series[g]]
        cell_index[g, 1] = lot_code.get((material, lot), -1)
        if c_dose[g] > 0:
            x = exposures[c_exposure[g]]
            cell_index[g, 0] = main_code[(material, families[x])]
            offset, entries = column_of(material, direction, x)
            log_dose[g] = math.log(c_dose[g]) + offset
            for j, coefficient in entries:
                design[g, j] = coefficient
            readings[(material, direction, x)] = (offset, design[g])
            last_dose[(material, x)] = max(c_dose[g], last_dose.get((material, x), 0.0))
            first_dose[(material, x)] = min(c_dose[g], first_dose.get((material, x), math.inf))
    edges = np.searchsorted(c_series, np.arange(len(series) + 1))
    series_index = np.array(
        [
            [materials.index(m), start_code[(m, d)], edges[i], edges[i + 1]]
            for i, (m, _, d) in enumerate(series)
        ],
        dtype=np.int64,
    ).reshape(-1, 4)
    lot_main = np.array(
        [next((i for i, k in enumerate(mains) if k[0] == m), 0) for m, _ in lots], dtype=np.int64
    )

    order = np.argsort(s_row[~measured], kind="stable")
    c_cell, c_sign = cell_row[~measured][order], censored[~measured][order]
    limit = strength[~measured][order]
    bounds = np.searchsorted(s_row[~measured][order], np.arange(len(series) + 1))

    book = priors()
    largest = {
        k: max(d for d, m, x in zip(c_dose, c_series, c_exposure, strict=True)
               if d > 0 and (series[m][0], families[exposures[x]]) == k)
        for k in mains
    }  # fmt: skip
    main_prior = np.array(
        [[math.log(largest[k]), book["threshold_dose"]["sd_log"]] for k in mains]
    ).reshape(-1, 2)
    start_prior = _starts(starts, series, c_series, c_dose, mean, count, limit, bounds, errors)
    no_spread = {
        m for m, no in zip(text["material"], summary & ~np.isfinite(sd), strict=True) if no
    }
    flags = {
        m: _flags(study, m, m in single, c_dose, c_series, series, count, m in no_spread)
        for m in materials
    }
    known = math.log(100.0) if percent else None
    return Model(
        law=law,
        errors=errors,
        fraction=min(max(study.thresholds[0] if study.thresholds else 0.5, 0.2), 0.9),
        materials=tuple(materials),
        mains=tuple(mains),  # type: ignore[arg-type]
        main_product=np.array([materials.index(m) for m, _ in mains], dtype=np.int64),
        anchor=_anchors(materials, series, c_series, c_dose, mean, count, c_cell, limit, errors),
        starts=tuple(starts),  # type: ignore[arg-type]
        lots=tuple(lots),  # type: ignore[arg-type]
        single_lot=np.array([m in single for m in materials], dtype=np.int64),
        series=tuple(series),  # type: ignore[arg-type]
        columns=columns,
        families=families,
        main_prior=main_prior,
        start_prior=start_prior,
        start_known=known,
        series_index=series_index,
        lot_main=lot_main,
        cell_index=cell_index,
        cell_exposure=tuple(exposures[x] if x >= 0 else "" for x in c_exposure),
        cell_dose=c_dose.astype(float),
        log_dose=log_dose,
        count=count,
        freedom=freedom,
        mean=mean,
        squares=squares,
        design=design,
        strip_cell=cell_row[use & ~summary],
        strip_value=value[use & ~summary],
        censored_range=np.column_stack([bounds[:-1], bounds[1:]]).astype(np.int64),
        censored_index=np.column_stack([c_cell, c_sign]).astype(np.int64),
        censored_limit=np.log(limit) if errors == "lognormal" else limit,
        readings=readings,
        last_dose=last_dose,
        first_dose=first_dose,
        flags=flags,
    )


@dataclass(frozen=True, slots=True)
class _Setting:
    """One exposure's lamp setting relative to the first of its family."""

    log_irradiance: float
    inverse_temperature: float  # (1/T - 1/T_first) / R [mol/kJ]
    log_sd: float
    alone: bool


def _settings(
    study: Study, text: dict[str, list[str]], dose: np.ndarray
) -> tuple[dict[str, _Setting], dict[str, str]]:
    lit = [x for x, d in zip(text["exposure"], dose, strict=True) if d > 0 and x]
    present = [name for name in study.exposures if name in set(lit)]
    families, first, settings = {}, {}, {}
    for name in study.exposures:
        exposure = study.exposures[name]
        families[name] = exposure.dose_unit if exposure.is_radiant else name
    members = {f: [n for n in present if families[n] == f] for f in families.values()}
    for name in present:
        got = delivery(study.exposures[name])
        family = families[name]
        if got is None:
            settings[name] = _Setting(0.0, 0.0, 0.0, True)
            continue
        first.setdefault(family, got)
        base = first[family]
        settings[name] = _Setting(
            math.log(got.irradiance / base.irradiance),
            (1 / (got.temperature + 273.15) - 1 / (base.temperature + 273.15)) / GAS_CONSTANT,
            got.log_sd,
            len(members[family]) == 1,
        )
    return settings, families


def _columns(
    study: Study,
    materials: list[str],
    series: list[tuple[str, ...]],
    setting: dict[str, _Setting],
    families: dict[str, str],
) -> tuple[tuple[Column, ...], Any]:
    columns: list[Column] = []
    place: dict[tuple[str, str], int] = {}

    def add(name: str, subject: str, mean: float, sd: float) -> None:
        place[(name, subject)] = len(columns)
        columns.append(Column(name=name, subject=subject, mean=mean, sd=sd))

    for m in materials:
        found = {d for material, _, d in series if material == m}
        if {"machine", "cross"} <= found:
            add("direction", m, 0.0, priors()["direction"]["sd_log"])
    varied_e = {families[x] for x, s in setting.items() if abs(s.log_irradiance) > 1e-6}
    varied_t = {families[x] for x, s in setting.items() if abs(s.inverse_temperature) > 1e-4}
    if varied_e or varied_t:
        for polymer in dict.fromkeys(study.materials[m].polymer or "unknown" for m in materials):
            book = catalogue.read("materials", polymer)
            if varied_e:
                p = book["reciprocity_exponent"]
                add("reciprocity_exponent", polymer, p["value"], p["sd"])
            if varied_t:
                ea = book["activation_energy"]
                add("activation_energy", polymer, ea["value"], ea["sd"])
    for x, s in setting.items():
        if not s.alone:
            add("dose_calibration", x, 0.0, max(s.log_sd, 1e-3))

    def entries(material: str, direction: str, x: str) -> tuple[float, list[tuple[int, float]]]:
        found: list[tuple[int, float]] = []
        s = setting[x]
        if (j := place.get(("direction", material))) is not None and direction:
            found.append((j, 0.5 if direction == "machine" else -0.5))
        polymer = study.materials[material].polymer or "unknown"
        offset = 0.0
        if (j := place.get(("reciprocity_exponent", polymer))) is not None:
            found.append((j, -s.log_irradiance))
            offset -= s.log_irradiance
        elif s.log_irradiance:
            raise AssertionError("irradiance varies without an exponent")
        if (j := place.get(("activation_energy", polymer))) is not None:
            found.append((j, s.inverse_temperature))
        if (j := place.get(("dose_calibration", x))) is not None:
            found.append((j, -1.0))
        return offset, found

    return tuple(columns), entries


def _starts(
    starts: list[tuple[str, ...]],
    series: list[tuple[str, ...]],
    c_series: np.ndarray,
    c_dose: np.ndarray,
    mean: np.ndarray,
    count: np.ndarray,
    limit: np.ndarray,
    bounds: np.ndarray,
    errors: Errors,
) -> np.ndarray:
    """Prior of the log unexposed strength: centred on the least exposed strips of the product."""
    sd = priors()["unexposed_strength"]["sd_log"]
    rows = []
    for material, direction in starts:
        mine = [i for i, k in enumerate(series) if (k[0], k[2]) == (material, direction)]
        inside = np.isin(c_series, mine) & (count > 0)
        if not inside.any():
            limits = np.concatenate([limit[bounds[i] : bounds[i + 1]] for i in mine])
            rows.append([math.log(limits.mean()), 2 * sd])
            continue
        lowest = inside & (c_dose == c_dose[inside].min())
        centre = float(np.average(mean[lowest], weights=count[lowest]))
        rows.append([centre if errors == "lognormal" else math.log(centre), sd])
    return np.array(rows, dtype=float).reshape(-1, 2)


def _anchors(
    materials: list[str],
    series: list[tuple[str, ...]],
    c_series: np.ndarray,
    c_dose: np.ndarray,
    mean: np.ndarray,
    count: np.ndarray,
    censored_cell: np.ndarray,
    limit: np.ndarray,
    errors: Errors,
) -> np.ndarray:
    """The median share that each product has left after exposure, between 0.3 and 0.7.

    A cell without a measured strip counts with the limit of its censored ones.
    """
    level = mean if errors == "lognormal" else np.log(np.maximum(mean, 1e-12))
    unseen = np.isin(censored_cell, np.flatnonzero(count == 0))
    level, seen = level.copy(), count > 0
    level[censored_cell[unseen]], seen[censored_cell[unseen]] = np.log(limit[unseen]), True
    left: dict[str, list[float]] = {m: [] for m in materials}
    for i, (material, _, _) in enumerate(series):
        mine = (c_series == i) & seen
        if mine.any():
            first = level[mine & (c_dose == c_dose[mine].min())].mean()
            left[material] += list(level[mine & (c_dose > 0)] - first)
    share = [math.exp(float(np.median(left[m]))) if left[m] else 0.5 for m in materials]
    return np.clip(share, 0.3, 0.7)


def _flags(
    study: Study,
    material: str,
    one_lot: bool,
    c_dose: np.ndarray,
    c_series: np.ndarray,
    series: list[tuple[str, ...]],
    count: np.ndarray,
    no_spread: bool,
) -> tuple[str, ...]:
    """What the answers for one material lean on that a reader must know."""
    inside = np.isin(c_series, [i for i, k in enumerate(series) if k[0] == material])
    percent = study.unit == "%"
    seen = {
        "no_unexposed_strips": not percent and not (c_dose[inside] == 0).any(),
        "one_dose_level": np.unique(c_dose[inside & (c_dose > 0)]).size == 1,
        "one_lot": one_lot,
        "unexposed_error_unknown": percent,
        "spread_not_given": no_spread,
        "all_censored": not (count[inside] > 0).any(),
    }
    return tuple(name for name, holds in seen.items() if holds)
