"""What have strips in the open taught the next translation? Posterior links between lamp and sky.

A study with strips in the open estimates, jointly with its threshold doses, how the clock of the
lamp and that of the sky differ: activation energy and reciprocity exponent, the site's ultraviolet,
the warming of the fabric, and what remains unexplained between lamp and sky. The log of that last
factor has a part of the material and a part of the site, with a spread that is estimated too:

    s = exp(spread (material + site))

At a site where strips lay, both parts are the posterior's; at a new site the site's part is drawn
anew; for a material of which none lay in the open, the material's is. Draws stay joint: draw i of
every link belongs to draw i of the threshold dose.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.exposure.action import slope_subject
from durability.exposure.lamp_light import light_name
from durability.inference.clock_light import counted
from durability.translation.inputs import AIR, GROUND, stream

if TYPE_CHECKING:
    import numpy as np
    import pandas
    from numpy.typing import NDArray

    from durability.translation.lamp import LampClock, ThresholdPosterior

WETTER = "log_wetness_factor[water]"


def spread_draws(fit: ThresholdPosterior, material: str) -> NDArray[np.float64] | None:
    """Draws (draw,) of the spread between lamp and sky that holds for a material; None if no
    strips in the open taught one."""
    return _spread(fit, spectrum=counts_spectrum(fit, material))


def _spread(fit: ThresholdPosterior, *, spectrum: bool) -> NDArray[np.float64] | None:
    about = counted(spectrum=spectrum, wetness=wetness_taught(fit))
    return _draws(fit, f"lab_to_sky_spread[{about}]")


def wetness_taught(fit: ThresholdPosterior) -> bool:
    """Whether strips in the open were read with their wet hours, as every sky then will be."""
    return _draws(fit, WETTER) is not None


def counts_spectrum(fit: ThresholdPosterior, material: str) -> bool:
    """Whether strips in the open were read by an action spectrum, as this material's will be."""
    asked = fit.study.materials[material].action_spectrum is not None
    return asked and _spread(fit, spectrum=True) is not None


def learned_sky(
    fit: ThresholdPosterior, site: str, *, on_ground: bool
) -> dict[str, NDArray[np.float64]]:
    """Posterior draws of what all materials share under the sky of a site, by link; may be empty.

    Parameters
    ----------
    fit : the posterior; one without a posterior dataset has learned nothing.
    site : name of the site. Its ultraviolet and air are known better only if strips lay there.
    on_ground : whether the fabric that is asked about lies on the ground.
    """
    import numpy as np

    found: dict[str, NDArray[np.float64]] = {}
    factor = _draws(fit, f"log_uv_factor[{site}]")
    if factor is not None:
        found["uv_factor"] = np.exp(factor)
    air = _draws(fit, f"air_temperature[{site}]")
    if air is not None:
        found[AIR] = air
    cloud = _draws(fit, "cloud_power[sky]")
    if cloud is not None:
        found["cloud_power"] = cloud
    warming = _draws(fit, "specimen_warming[open air]")
    if warming is not None:  # the product of both is what strips tell of
        from durability.translation.sky import REFERENCE_ABSORPTANCE

        found["absorptance"] = REFERENCE_ABSORPTANCE * warming
        found["temperature_rise_factor"] = np.ones_like(warming)
    contact = _draws(fit, f"{GROUND}[open air]")
    if contact is not None and on_ground:
        found[GROUND] = contact
    return found


def learned_links(
    fit: ThresholdPosterior, material: str, clock: LampClock, site: str, *, draws: int, seed: int
) -> dict[str, NDArray[np.float64]]:
    """Posterior draws of one material's links between its lamp and the sky of a site.

    Parameters
    ----------
    fit : the posterior.
    material : its name.
    clock : the lamp from which the threshold dose is read.
    site : name of the site.
    draws, seed : of what is drawn anew.

    Returns
    -------
    dict of arrays (draw,): ``lamp_dose``, ``lamp_temperature``, ``lab_to_sky``,
    ``wetness_factor`` and, of a material
    with an action spectrum, ``action_slope``, ``lamp_spectrum`` and ``short_wave_factor``, each
    where the fit knows of it.
    """
    import numpy as np

    found: dict[str, NDArray[np.float64]] = {}
    calibration = _draws(fit, f"dose_calibration[{clock.exposure}]")
    if calibration is not None:
        found["lamp_dose"] = np.exp(calibration)
    lamp = fit.study.exposures[clock.exposure].lamp or clock.exposure
    warmer = _draws(fit, f"lamp_temperature[{lamp}]")
    if warmer is not None:
        found["lamp_temperature"] = warmer
    factor = lab_to_sky_draws(fit, material, site, draws=draws, seed=seed)
    if factor is not None:
        found["lab_to_sky"] = factor
    wetter = _draws(fit, WETTER)
    if wetter is not None:
        found["wetness_factor"] = np.exp(wetter)
    if fit.study.materials[material].action_spectrum is None or (
        factor is not None and not counts_spectrum(fit, material)
    ):
        return found
    light = light_name(fit.study.exposures[clock.exposure])
    for name, subject in (
        ("action_slope", slope_subject(fit.study, material)),
        ("lamp_spectrum", light and Path(light).name),
        ("short_wave_factor", "sky"),
    ):
        known = _draws(fit, f"{name}[{subject}]")
        if known is not None:
            found[name] = known
    return found


def lab_to_sky_draws(
    fit: ThresholdPosterior, material: str, site: str, *, draws: int, seed: int
) -> NDArray[np.float64] | None:
    """Draws (draw,) of the factor on the effective dose needed in the open; None if never tested.

    Parameters
    ----------
    fit : the posterior.
    material, site : any; what was not tested is drawn from the spread that was estimated.
    draws, seed : of what is drawn anew. A site's part is the same for all materials there.
    """
    import numpy as np

    spread = spread_draws(fit, material)
    if spread is None:
        return None
    share = site_share()
    parts = []
    for name, subject, variance in (
        ("material", material, 1 - share),
        ("site", site, share),
    ):
        preposition = "of" if name == "material" else "at"
        known = _draws(fit, f"lab_to_sky_{preposition}_{name}[{subject}]")
        if known is None:
            new = stream(seed, f"lab_to_sky_{name}/{subject}").standard_normal(draws)
            known = math.sqrt(variance) * new
        parts.append(known)
    return np.exp(spread * (parts[0] + parts[1]))


def site_share() -> float:
    """Share of the variance of what is unexplained that belongs to the site."""
    from durability.exposure import translation_assumptions

    return translation_assumptions()["lab_to_sky_site_share"].value


def learned_from(fit: ThresholdPosterior, material: str, site: str) -> str | None:
    """Name of the assumption that says from which strips in the open the factor was learned."""
    if spread_draws(fit, material) is None:
        return None
    here = _draws(fit, f"lab_to_sky_at_site[{site}]") is not None
    mine = _draws(fit, f"lab_to_sky_of_material[{material}]") is not None
    if here and mine:
        return "lab_to_sky_learned"
    if here or mine:
        return "lab_to_sky_learned_in_part"
    return "lab_to_sky_spread_learned"


def _draws(fit: ThresholdPosterior, label: str) -> NDArray[np.float64] | None:
    posterior = getattr(fit, "posterior", None)
    if posterior is None or label not in posterior:
        return None
    return posterior[label].values.reshape(-1).astype(float)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LabToSky:
    """How lamp and sky differ, as strips in the open say.

    Parameters
    ----------
    title : of the study.
    level : of the intervals.
    factors : one row a material and site: ``material``, ``site`` (a new site last), ``median``,
        ``low`` and ``high`` of the factor on the effective dose needed in the open: above 1, strips
        last longer there than the lamp makes one think. ``prior_low`` and ``prior_high`` without
        the strips.
    moved : one row a parameter of the clock: ``parameter``, ``unit``, ``mean``, ``sd`` and
        ``prior_mean``, ``prior_sd``.
    """

    title: str
    level: float
    factors: pandas.DataFrame
    moved: pandas.DataFrame

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        level = f"{100 * self.level:.3g} %"
        factors: Any = self.factors.itertuples()
        moved: Any = self.moved.itertuples()
        return [
            ("study", self.title),
            *(
                (
                    f"{r.material}, {r.site}",
                    f"effective dose needed in the open {r.median:.2f} times that under the lamp "
                    f"({level} interval {r.low:.2f} to {r.high:.2f}; before the strips "
                    f"{r.prior_low:.2f} to {r.prior_high:.2f})",
                )
                for r in factors
            ),
            *(
                (
                    r.parameter,
                    f"{r.mean:.3g} ± {r.sd:.2g}{'' if r.unit == '1' else ' ' + r.unit} (before the "
                    f"strips {r.prior_mean:.3g} ± {r.prior_sd:.2g})",
                )
                for r in moved
            ),
        ]

    def to_frame(self) -> pandas.DataFrame:
        """The factors, one row a material and site."""
        return self.factors.copy()

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "title": self.title,
            "level": self.level,
            "factors": self.factors.to_dict("records"),
            "moved": self.moved.to_dict("records"),
        }

    def __repr__(self) -> str:
        return "LabToSky\n" + "\n".join(f"  {a}: {b}" for a, b in self.rows())

    def _repr_html_(self) -> str:
        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in self.rows()
        )
        return f"<table>{body}</table>"


NEW_SITE = "a new site"


def lab_to_sky(fit: ThresholdPosterior, *, level: float | None = None) -> LabToSky:
    """How lamp and sky differ, from a fit that holds strips in the open.

    Parameters
    ----------
    fit : of a study with outdoor exposures that name their sites.
    level : of intervals; the fit's by default.

    Returns
    -------
    LabToSky

    Raises
    ------
    ValueError : a fit without strips in the open on the clock of a lamp.
    """
    import numpy as np
    import pandas

    from durability.exposure import translation_assumptions
    from durability.inference.clock_terms import material_clock

    level = fit.level if level is None else level
    if all(spread_draws(fit, m) is None for m in fit.materials):
        raise ValueError(
            "the fit holds no strips in the open beside a lamp; describe them in study.toml: "
            'lamp = "outdoor", site = "NAME", laid = DATE under [exposures.NAME]'
        )
    tails = [0.5, 0.5 - level / 2, 0.5 + level / 2]
    book = translation_assumptions()
    before = book["lab_to_sky"].from_uniform(np.array(tails[1:]))
    factors, moved = [], {}
    for material in fit.materials:
        clock = material_clock(fit.study, material)
        for site in [*dict.fromkeys(c.site for c in clock.skies.values()), NEW_SITE]:
            spread = spread_draws(fit, material)
            if spread is None:
                continue
            drawn = lab_to_sky_draws(fit, material, site, draws=spread.size, seed=fit.seed)
            assert drawn is not None
            middle, low, high = np.quantile(drawn, tails)
            factors.append((material, site, middle, low, high, *before))
        for column in clock.parameters:
            drawn = _draws(fit, column.label)
            if drawn is not None and column.name not in ("log_year", "lab_to_sky_at_site",
                                                         "lab_to_sky_of_material"):  # fmt: skip
                moved[column.label] = (column.label.replace("[]", ""), column.unit, drawn.mean(),
                                       drawn.std(), column.mean, column.sd)  # fmt: skip
    names = ("material", "site", "median", "low", "high", "prior_low", "prior_high")
    about = ("parameter", "unit", "mean", "sd", "prior_mean", "prior_sd")
    return LabToSky(
        title=fit.study.title,
        level=level,
        factors=pandas.DataFrame(factors, columns=pandas.Index(names)),
        moved=pandas.DataFrame(list(moved.values()), columns=pandas.Index(about)),
    )


__all__ = [
    "LabToSky",
    "lab_to_sky",
    "lab_to_sky_draws",
    "learned_from",
    "learned_links",
    "learned_sky",
]
