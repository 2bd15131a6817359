"""What of the clocks of a study's exposures is uncertain, and how does it act on effective dose?

    under a lamp   log D = log H + (p - 1) log(E / E_ref) + p c + log mean exp(-Ea/R dx(T + t))
    in the open    log D = log sum E_ref (f E_h c_h^b / E_ref)^p exp(-Ea/R dx(T_h)) - log s

with dx(T) = 1/T - 1/T_ref: the reference conditions are those of the material's first lamp, as
set. *H* is the dose as set, *c* the log of true over set dose, *t* how much warmer specimens are
than thought, *f* how much more ultraviolet a site sends than is computed, and *s* what remains
unexplained between lamp and sky: an effective dose larger by *s* is needed in the open.

Where a material has an action spectrum, both gain what one light does beside another's
(`durability.inference.clock_light`), p (log m - log m_base), and s holds no spectrum any more.
Where wetness is counted, rates are larger by *w* in wet hours, a lamp's dose by 1 + v (w - 1) with
*v* its share of lit time with spray, and s holds no moisture any more.

log s has a part that goes with the material to every site and a part that every material has at a
site; their spread is uncertain and is estimated. `MaterialClock` evaluates all this directly;
`clock_terms` gives it as a quadratic in standardised parameters, for the sampler. The lamp's part
is exact but for the curvature of several phases; the sky's is an expansion over one prior standard
deviation, off by about 0.01 in log dose (tests/inference/test_clock_terms.py).
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from durability.exposure import (
    Assumption,
    delivery,
    material_assumptions,
    translation_assumptions,
    with_doses,
)
from durability.exposure.clock import GAS_CONSTANT, KELVIN
from durability.exposure.lamp import read_lamp
from durability.exposure.outdoor import SKY_BANDS, OutdoorClock, counts_wetness, outdoor_clock
from durability.exposure.wetness import sprayed_share
from durability.inference.clock_light import ClockLight, clock_light, column_of, counted
from durability.inference.model import ClockTerms, Column

if TYPE_CHECKING:
    from durability.exposure import Delivery
    from durability.study import Study
    from durability.study.model import Exposure

NO_LIGHT = -30.0
"""Log dose that stands for none: strips withdrawn before any light has come."""

WETTER = ("log_wetness_factor", "water")
"""Name and subject of the log of the rate while wet over that while dry."""

MIDPOINTS = 4001
"""Quantiles from which the moments of a prior that is cut off are taken."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MaterialClock:
    """How one material's exposures deliver effective dose, as a function of uncertain parameters.

    Parameters
    ----------
    material : its name.
    parameters : with their priors; logs of factors are named so.
    family : exposure to family; those of one family share a threshold dose.
    lamps : exposure to what its lamp delivers.
    skies : exposure to its clock.
    base : family to the exposure at whose conditions, as set, its effective dose is counted.
    polymer : file of models/materials.
    lamp_of : exposure to the name of its lamp.
    light : the exposures' light over wavelength; None where no action spectrum tells them apart.
    sprayed : exposure to its lamp's share of lit time with spray; empty where wetness does not
        count.
    """

    material: str
    parameters: tuple[Column, ...]
    family: dict[str, str]
    lamps: dict[str, Delivery]
    skies: dict[str, OutdoorClock]
    base: dict[str, Delivery]
    polymer: str
    lamp_of: dict[str, str] = field(default_factory=dict)
    light: ClockLight | None = None
    sprayed: Mapping[str, float] = field(default_factory=dict)

    def place(self, name: str, subject: str) -> int | None:
        """Position of a parameter, or None where the study does not need it."""
        for i, column in enumerate(self.parameters):
            if (column.name, column.subject) == (name, subject):
                return i
        return None

    def involved(self, exposure: str) -> tuple[int, ...]:
        """Positions of the parameters on which an exposure's effective dose depends."""
        if exposure in self.skies:
            found = [self.place(*key) for key in _sky_keys(self, exposure)]
        elif exposure in self.lamps:
            found = [self.place(*key) for key in _lamp_keys(self, exposure)]
        else:
            found = []
        return tuple(i for i in found if i is not None)

    def log_dose(self, exposure: str, dose: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Log effective dose (draw, dose), evaluated directly.

        Parameters
        ----------
        exposure : name.
        dose : (dose,) as the study's tables have it when its doses are filled, above 0.
        values : (draw, parameter), in the order of `parameters`.
        """
        dose = np.asarray(dose, dtype=float)
        get = functools.partial(self._value, values)
        if exposure in self.skies:
            return self._sky(exposure, dose, get)
        flat = np.zeros((len(values), 1)) + np.log(dose)
        if exposure not in self.lamps:
            return flat
        base, lamp = self.base[self.family[exposure]], self.lamps[exposure]
        p = get("reciprocity_exponent", self.polymer, 1.0)
        scale = get("dose_calibration", exposure, 0.0)
        found = flat + (p * scale + (p - 1) * math.log(lamp.irradiance / base.irradiance))[:, None]
        if self.light is not None and exposure in self.light.lamps:
            more = self.light.lamp(exposure, base.exposure, lamp.band, get)
            found = found + (p * more)[:, None]
        found = found + self._wetter(exposure, base.exposure, get)[:, None]
        ea = get("activation_energy", self.polymer, 0.0)
        warmer = get("lamp_temperature", self.lamp_of[exposure], 0.0)
        return found + _log_heat(lamp, base.temperature, ea, warmer)[:, None]

    def _value(self, values: np.ndarray, name: str, subject: str, otherwise: float) -> np.ndarray:
        i = self.place(name, subject)
        return np.full(len(values), otherwise) if i is None else values[:, i]

    def _wetter(self, exposure: str, base: str, get: functools.partial) -> np.ndarray:
        """Log of what water does to an exposure's dose beside that of its family's base, (draw,).

        Of strips in the open the base's part alone: their own hours are wet or dry one by one.
        """
        more = np.exp(get(*WETTER, 0.0)) - 1
        shares = [self.sprayed.get(x, 0.0) for x in (exposure, base)]
        return np.log1p(shares[0] * more) - np.log1p(shares[1] * more)

    def _sky(self, exposure: str, dose: np.ndarray, get: functools.partial) -> np.ndarray:
        clock, base = self.skies[exposure], self.base[self.family[exposure]]
        spread = get("lab_to_sky_spread", _spread_of(self), 1.0)
        unexplained = spread * (
            get("lab_to_sky_of_material", self.material, 0.0)
            + get("lab_to_sky_at_site", clock.site, 0.0)
        )
        contact = get("ground_contact", "open air", 1.0) if clock.on_ground else 1.0
        delivered = clock.log_effective_dose(
            dose,
            exponent=get("reciprocity_exponent", self.polymer, 1.0),
            activation_energy=get("activation_energy", self.polymer, 0.0),
            uv_factor=np.exp(
                get("log_uv_factor", clock.site, 0.0) + get("log_year", exposure, 0.0)
            ),
            cloud=get("cloud_power", "sky", 0.0) - translation_assumptions()["cloud_power"].value,
            warming=get("specimen_warming", "open air", 1.0) * contact,
            warmer=get("air_temperature", clock.site, 0.0),
            reference_irradiance=base.irradiance,
            reference_temperature=base.temperature,
            light=None if self.light is None else self.light.sky(clock, base.exposure, get),
            log_wetter=get(*WETTER, 0.0),
        )
        return delivered + (self._wetter(exposure, base.exposure, get) - unexplained)[:, None]

    def prior_draws(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Prior draws (draw, parameter)."""
        return np.column_stack([draw_prior(c, draws, rng) for c in self.parameters]).reshape(
            draws, len(self.parameters)
        )


def draw_prior(column: Column, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Draws (draw,) of a parameter's normal prior, cut off at its limits."""
    prior = Assumption(
        name=column.name,
        value=column.mean,
        sd=column.sd,
        low=column.low if math.isfinite(column.low) else None,
        high=column.high if math.isfinite(column.high) else None,
    )
    return prior.draws(draws, rng)


def material_clock(study: Study, material: str) -> MaterialClock:
    """The clock of one material's exposures.

    Parameters
    ----------
    study : as read.
    material : its name.

    Returns
    -------
    MaterialClock. An outdoor exposure that names its site is counted on the clock of the material's
    first lamp whose dose the sun delivers too; where there is none it keeps its own axis of days.
    """
    used = _doses(with_doses(study), material)
    lamps = {x: d for x in used if (d := delivery(study.exposures[x])) is not None}
    open_air = [x for x in used if study.exposures[x].site is not None]
    family, base = {}, {}
    for x in used:
        exposure = study.exposures[x]
        family[x] = exposure.dose_unit if exposure.is_radiant else x
        if exposure.is_radiant and exposure.lamp == "outdoor":
            family[x] += " measured in the open"  # at a temperature that nobody knows
        if x in lamps:
            base.setdefault(family[x], lamps[x])
    comparable = next((x for x in lamps if sun_like(study.exposures[x], lamps[x])), None)
    skies: dict[str, OutdoorClock] = {}
    wetness = comparable is not None and counts_wetness(study)
    if comparable is not None:
        shared = family[comparable]
        base[shared] = lamps[comparable]
        for x in open_air:
            family[x] = shared
            sky = outdoor_clock(
                study, study.exposures[x], band=lamps[comparable].band,
                spectral=study.materials[material].action_spectrum is not None, wetness=wetness,
            )  # fmt: skip
            skies[x] = replace(
                sky, per_hour=sky.per_hour / study.exposures[comparable].dose_scale,
                on_ground=study.exposures[x].on_ground,
            )  # fmt: skip
    polymer = study.materials[material].polymer or "unknown"
    lamp_of = {x: study.exposures[x].lamp or x for x in lamps}
    clock = MaterialClock(
        material=material, parameters=(), family=family, lamps=lamps, skies=skies, base=base,
        polymer=polymer, lamp_of=lamp_of, light=clock_light(study, material, family, lamps, skies),
        sprayed={x: sprayed_share(study.exposures[x]) for x in lamps} if wetness and skies else {},
    )  # fmt: skip
    return replace(clock, parameters=_parameters(clock))


def clock_terms(study: Study, material: str) -> ClockTerms:
    """How the exposures of a material deliver effective dose, as a quadratic for the sampler.

    Parameters
    ----------
    study : as read.
    material : its name.

    Returns
    -------
    ClockTerms, with a row for every exposure and dose above 0 of the material, of all kinds of
    data. A material with one exposure, or whose exposures do not differ, has no parameters.
    """
    clock = material_clock(study, material)
    used = _doses(with_doses(study), material)
    k = len(clock.parameters)
    names, doses, constants, linears, quadratics = [], [], [], [], []
    for exposure, dose in used.items():
        constant, linear, quadratic = expansion(clock, exposure, dose)
        names += [exposure] * dose.size
        doses.append(dose)
        constants.append(constant)
        linears.append(linear)
        quadratics.append(quadratic)
    return ClockTerms(
        parameters=clock.parameters,
        family=clock.family,
        exposure=np.array(names, dtype=str),
        dose=np.concatenate(doses) if doses else np.zeros(0),
        constant=np.concatenate(constants) if doses else np.zeros(0),
        linear=np.concatenate(linears) if doses else np.zeros((0, k)),
        quadratic=np.concatenate(quadratics) if doses else np.zeros((0, k, k)),
    )


def expansion(
    clock: MaterialClock, exposure: str, dose: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Constant (dose,), linear (dose, k) and quadratic (dose, k, k) terms of log effective dose.

    From direct evaluations at the prior means, one standard deviation from each and from each pair:
    exact for a function that is quadratic.
    """
    mean = np.array([c.mean for c in clock.parameters])
    sd = np.array([c.sd for c in clock.parameters])
    k, at = mean.size, clock.involved(exposure)
    points = [np.zeros(k)]
    for i in at:
        points += [sign * np.eye(k)[i] for sign in (1, -1)]
    pairs = list(itertools.combinations(at, 2))
    for i, j in pairs:
        for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            points.append(a * np.eye(k)[i] + b * np.eye(k)[j])
    found = clock.log_dose(exposure, dose, mean + sd * np.array(points).reshape(len(points), k))
    found = np.maximum(found, NO_LIGHT)
    constant = found[0]
    linear, quadratic = np.zeros((dose.size, k)), np.zeros((dose.size, k, k))
    for n, i in enumerate(at):
        up, down = found[1 + 2 * n], found[2 + 2 * n]
        linear[:, i] = (up - down) / 2
        quadratic[:, i, i] = up + down - 2 * constant
    first = 1 + 2 * len(at)
    for n, (i, j) in enumerate(pairs):
        pp, pm, mp, mm = found[first + 4 * n : first + 4 * n + 4]
        quadratic[:, i, j] = quadratic[:, j, i] = (pp - pm - mp + mm) / 4
    quadratic[np.abs(quadratic) < 1e-9] = 0.0
    return constant, linear, quadratic


def sun_like(exposure: Exposure, lamp: Delivery) -> bool:
    """Whether the sun delivers the dose of this lamp too, so that a sky can be counted by it."""
    if lamp.band not in SKY_BANDS or lamp.reaches_below_solar_cut_on:
        return False
    return exposure.lamp is None or "window" not in read_lamp(exposure.lamp).filter


def _doses(study: Study, material: str) -> dict[str, np.ndarray]:
    """Exposure to the doses above 0 at which the material has data of any kind, ascending."""
    found: dict[str, set[float]] = {}
    for kind, table in {"rows": study.rows, **study.others()}.items():
        mine = table["material"].values.astype(str) == material
        if "used" in table:
            mine &= table["used"].values.astype(bool)
        for suffix in ("_low", "_high") if kind == "inspections" else ("",):
            dose = table[f"dose{suffix}"].values.astype(float)
            if kind == "inspections":  # seen as it happened: half a percent either way
                same = table["dose_low"].values == table["dose_high"].values
                dose = np.where(same, dose * (0.995 if suffix == "_low" else 1.005), dose)
            names = table["exposure"].values.astype(str)
            keep = mine & np.isfinite(dose) & (dose > 0) & (names != "")
            for name, number in zip(names[keep].tolist(), dose[keep].tolist(), strict=True):
                if study.exposures[name].control is None:
                    found.setdefault(name, set()).add(number)
    return {x: np.array(sorted(found[x])) for x in study.exposures if x in found}


def _log_heat(lamp: Delivery, reference: float, ea: np.ndarray, warmer: np.ndarray) -> np.ndarray:
    """Log of the dose-weighted mean Arrhenius factor of a lamp's lit phases, (draw,)."""
    mean = np.zeros_like(ea)
    for weight, celsius in lamp.phases or ((1.0, lamp.temperature),):
        heat = 1 / (celsius + warmer + KELVIN) - 1 / (reference + KELVIN)
        mean = mean + weight * np.exp(-ea / GAS_CONSTANT * heat)
    return np.log(mean)


def _light_keys(clock: MaterialClock, exposure: str) -> list[tuple[str, str]]:
    light, base = clock.light, clock.base.get(clock.family[exposure])
    if light is None or base is None or base.exposure not in light.lamps:
        return []
    return light.keys(exposure, base.exposure)


def _spread_of(clock: MaterialClock) -> str:
    return counted(spectrum=clock.light is not None, wetness=bool(clock.sprayed))


def _wet_keys(clock: MaterialClock, exposure: str) -> list[tuple[str, str]]:
    """The factor of wetness, where an exposure's water differs from that of its base."""
    base = clock.base.get(clock.family[exposure])
    if not clock.sprayed or base is None:
        return []
    dry = clock.sprayed.get(exposure) == clock.sprayed.get(base.exposure)
    return [] if dry and exposure not in clock.skies else [WETTER]


def _lamp_keys(clock: MaterialClock, exposure: str) -> list[tuple[str, str]]:
    return [
        *_light_keys(clock, exposure),
        *_wet_keys(clock, exposure),
        ("reciprocity_exponent", clock.polymer),
        ("activation_energy", clock.polymer),
        ("dose_calibration", exposure),
        ("lamp_temperature", clock.lamp_of[exposure]),
    ]


def _sky_keys(clock: MaterialClock, exposure: str) -> list[tuple[str, str]]:
    site = clock.skies[exposure].site
    return [
        *_light_keys(clock, exposure),
        *_wet_keys(clock, exposure),
        ("reciprocity_exponent", clock.polymer),
        ("activation_energy", clock.polymer),
        ("log_uv_factor", site),
        ("log_year", exposure),
        ("cloud_power", "sky"),
        ("specimen_warming", "open air"),
        *([("ground_contact", "open air")] if clock.skies[exposure].on_ground else []),
        ("air_temperature", site),
        ("lab_to_sky_spread", _spread_of(clock)),
        ("lab_to_sky_of_material", clock.material),
        ("lab_to_sky_at_site", site),
    ]


def _parameters(clock: MaterialClock) -> tuple[Column, ...]:
    """The parameters that the exposures of a material call for."""
    columns: dict[tuple[str, str], Column] = {}

    def add(column: Column) -> None:
        columns.setdefault((column.name, column.subject), column)

    book = material_assumptions(clock.polymer)
    members: dict[str, list[str]] = {}
    for x, name in clock.family.items():
        if x in clock.lamps or x in clock.skies:
            members.setdefault(name, []).append(x)
    several = {x for group in members.values() if len(group) > 1 for x in group}
    lit = [x for x in several if x in clock.lamps]
    outdoors = [x for x in clock.skies if x in several]
    base = {x: clock.base[clock.family[x]] for x in lit}
    coloured = [x for x in lit if _light_keys(clock, x)]
    if (
        outdoors
        or coloured
        or any(abs(math.log(clock.lamps[x].irradiance / base[x].irradiance)) > 1e-6 for x in lit)
    ):
        add(column_of("reciprocity_exponent", clock.polymer, book["reciprocity_exponent"]))
    warmed = bool(outdoors) or any(clock.lamps[x].phases != base[x].phases for x in lit)
    if warmed:
        add(column_of("activation_energy", clock.polymer, book["activation_energy"]))
    for x in clock.lamps:
        if x not in several:
            continue
        add(Column(name="dose_calibration", subject=x, mean=0.0,
                   sd=max(clock.lamps[x].log_sd, 1e-3)))  # fmt: skip
        sd = clock.lamps[x].temperature_sd
        if warmed and sd > 0:
            add(Column(name="lamp_temperature", subject=clock.lamp_of[x], mean=0.0, sd=sd,
                       unit="K"))  # fmt: skip
    for x in (*coloured, *outdoors):
        if clock.light is not None:
            for column in clock.light.columns(x, clock.base[clock.family[x]].exposure):
                add(column)
    for x in outdoors:
        for column in sky_parameters(
            clock.skies[x], clock.material, spectrum_counted=clock.light is not None,
            wetness_counted=bool(clock.sprayed),
        ):  # fmt: skip
            add(column)
    if clock.sprayed and outdoors:
        prior = translation_assumptions()["wetness_factor"]
        add(Column(name=WETTER[0], subject=WETTER[1], mean=math.log(prior.value),
                   sd=prior.log_sd or 1e-3))  # fmt: skip
    return tuple(columns.values())


def sky_parameters(
    clock: OutdoorClock,
    material: str,
    *,
    spectrum_counted: bool = False,
    wetness_counted: bool = False,
) -> tuple[Column, ...]:
    """The uncertain parameters of strips of a material in the open, from models/translation.toml.

    Factors are logs; ``lab_to_sky_of_material`` and ``lab_to_sky_at_site`` are in units of
    ``lab_to_sky_spread``. What is counted, spectrum or wetness, is no longer in that spread.
    """
    book = translation_assumptions()
    uv, year = clock.uv_factor or book["uv_factor"], book["year_to_year"]
    added = 0.0 if clock.uv_factor is not None else clock.uv_log_sd  # a measurement counts it
    spread, share = book["lab_to_sky"], book["lab_to_sky_site_share"].value
    warm_mean, warm_sd, warm_low, warm_high = specimen_warming()
    sd = spread.log_sd or 0.0
    low, high = spread.low or sd, spread.high or sd
    for part, is_so in (("spectrum_mismatch", spectrum_counted),
                        ("moisture_mismatch", wetness_counted)):  # fmt: skip
        known = (book[part].log_sd or 0.0) if is_so else 0.0
        sd, low, high = (math.sqrt(max(x**2 - known**2, 1e-6)) for x in (sd, low, high))
    return (
        Column(
            name="log_uv_factor",
            subject=clock.site,
            mean=math.log(uv.value),
            sd=math.hypot((uv.sd or 0.0) / uv.value, added),
            low=math.log(uv.low) if uv.low else -math.inf,
            high=math.log(uv.high) if uv.high else math.inf,
        ),
        *(
            ()
            if clock.measured
            else (
                Column(name="log_year", subject=clock.exposure, mean=0.0, sd=year.log_sd or 1e-3),
            )
        ),
        *(
            (
                Column(
                    name="air_temperature",
                    subject=clock.site,
                    mean=0.0,
                    sd=clock.air_temperature_sd,
                    unit="K",
                ),
            )
            if clock.air_temperature_sd > 0
            else ()
        ),
        column_of("cloud_power", "sky", book["cloud_power"]),
        Column(
            name="specimen_warming",
            subject="open air",
            mean=warm_mean,
            sd=warm_sd,
            low=warm_low,
            high=warm_high,
        ),
        *(
            (column_of("ground_contact", "open air", book["ground_contact"]),)
            if clock.on_ground
            else ()
        ),
        Column(
            name="lab_to_sky_spread",
            subject=counted(spectrum=spectrum_counted, wetness=wetness_counted),
            mean=sd,
            sd=max((high - low) / 2, 1e-3),
            low=low,
            high=high,
        ),
        Column(name="lab_to_sky_of_material", subject=material, mean=0.0, sd=math.sqrt(1 - share)),
        Column(name="lab_to_sky_at_site", subject=clock.site, mean=0.0, sd=math.sqrt(share)),
    )


@functools.cache
def specimen_warming() -> tuple[float, float, float, float]:
    """Mean, sd and limits of a fabric's warming against a surface of absorptance 0.9 and rise
    factor 1: the product of absorptance / 0.9 and temperature_rise_factor."""
    from durability.exposure.temperature import MODULE_ABSORPTANCE

    book = translation_assumptions()
    (m1, s1), (m2, s2) = (moments(book[n]) for n in ("absorptance", "temperature_rise_factor"))
    mean = m1 * m2 / MODULE_ABSORPTANCE
    sd = math.sqrt((m1**2 + s1**2) * (m2**2 + s2**2) - (m1 * m2) ** 2) / MODULE_ABSORPTANCE
    limits = [
        (getattr(book["absorptance"], end) or 0.0)
        * (getattr(book["temperature_rise_factor"], end) or 0.0)
        / MODULE_ABSORPTANCE
        for end in ("low", "high")
    ]
    return mean, sd, limits[0], limits[1]


def moments(prior: Assumption) -> tuple[float, float]:
    """Mean and standard deviation of an assumption, its limits heeded."""
    drawn = prior.from_uniform((np.arange(MIDPOINTS) + 0.5) / MIDPOINTS)
    return float(drawn.mean()), float(drawn.std())


def values_of(
    clock: MaterialClock, known: Mapping[str, np.ndarray], draws: int, rng: np.random.Generator
) -> np.ndarray:
    """Draws (draw, parameter): those known by label, and prior draws of the rest."""
    columns = [
        np.asarray(known[c.label]) if c.label in known else draw_prior(c, draws, rng)
        for c in clock.parameters
    ]
    return np.column_stack(columns) if columns else np.zeros((draws, 0))


__all__ = [
    "MaterialClock",
    "clock_terms",
    "draw_prior",
    "expansion",
    "material_clock",
    "moments",
    "sky_parameters",
    "specimen_warming",
    "sun_like",
    "values_of",
]
