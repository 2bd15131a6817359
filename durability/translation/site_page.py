"""What is known of a site? Its weather, yearly ultraviolet by band, temperatures and their doubts.

Ultraviolet is that of a horizontal plane with the factor, cloud power and year-to-year spread that
a translation draws; temperatures are weighted by ultraviolet with the activation energy of an
unknown polymer.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.statement import MONTHS, round_by_uncertainty

if TYPE_CHECKING:
    from durability.exposure import Site
    from durability.study.model import Caution

DRAWS = 2000
HOLDS = {
    "ghi": "sunlight on the horizontal", "dni": "towards the sun", "dhi": "from the sky",
    "temp_air": "air temperature", "wind_speed": "wind", "relative_humidity": "humidity",
    "pressure": "pressure", "rain": "rain",
}  # fmt: skip
"""Variable of a site's hours to its name in words."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SitePage:
    """A site on one page.

    Parameters
    ----------
    name, title, latitude, longitude, altitude, utc_offset, source, licence, file : of the site.
    weather : what its hours are: a typical year, measured years, or made from monthly means.
    holds : what the file holds, in words.
    level : of the intervals.
    yearly : (band, unit, median, low, high) of the yearly ultraviolet on the horizontal.
    months : (month, sunlight [MJ/m² a day], ultraviolet 300-400 nm [MJ/m²], mean air [degC],
        mean daily lowest and highest air [degC]).
    temperatures : (what, degC), effective ones weighted by ultraviolet.
    offset : minutes by which its sunlight would fit the sun better.
    cautions : what is doubtful.
    """

    name: str
    title: str
    latitude: float
    longitude: float
    altitude: float
    utc_offset: float
    source: str
    licence: str
    file: str
    weather: str
    holds: tuple[str, ...]
    level: float
    yearly: tuple[tuple[str, str, float, float, float], ...]
    months: tuple[tuple[int, float, float, float, float, float], ...]
    temperatures: tuple[tuple[str, float], ...]
    offset: float
    cautions: tuple[Caution, ...]

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that every form shows."""
        north = f"{abs(self.latitude):.3f}° {'N' if self.latitude >= 0 else 'S'}"
        east = f"{abs(self.longitude):.3f}° {'E' if self.longitude >= 0 else 'W'}"
        level = f"{100 * self.level:.3g} %"
        return [
            ("site", f"{self.name}: {self.title}"),
            ("position", f"{north}, {east}, {self.altitude:g} m, UTC{self.utc_offset:+g}"),
            ("weather", self.weather),
            ("holds", ", ".join(self.holds)),
            ("file", self.file),
            ("source", self.source),
            ("licence", self.licence or "not stated"),
            *((f"yearly {band}", _with_limits(middle, low, high, unit, level))
              for band, unit, middle, low, high in self.yearly),
            *((what, f"{celsius:.1f} °C") for what, celsius in self.temperatures),
            ("time stamps", self._timing()),
        ]  # fmt: skip

    def _timing(self) -> str:
        from durability.exposure.weather_checks import OFFSET

        if self.weather.startswith("hours made"):
            return "made by us, so they fit the sun"
        verdict = "doubtful" if abs(self.offset) >= OFFSET else "good"
        return f"sunlight fits the sun best when moved by {self.offset:+.0f} min: {verdict}"

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Heads and rows of the months."""
        heads = ["month", "sunlight MJ/m² a day", "UV 300-400 nm MJ/m²", "air °C", "lowest",
                 "highest"]  # fmt: skip
        return heads, [
            [MONTHS[m - 1], f"{sun:.1f}", f"{uv:.1f}", *(f"{t:.1f}" for t in air)]
            for m, sun, uv, *air in self.months
        ]

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        keys = ("name", "title", "latitude", "longitude", "altitude", "utc_offset", "weather",
                "source", "licence", "file", "level")  # fmt: skip
        return {
            **{key: getattr(self, key) for key in keys},
            "holds": list(self.holds),
            "yearly": [
                dict(zip(("band", "unit", "median", "low", "high"), row, strict=True))
                for row in self.yearly
            ],
            "months": [
                dict(zip(("month", "sunlight_MJ_m2_day", "uv_300_400_MJ_m2", "air_degC",
                          "lowest_degC", "highest_degC"), row, strict=True))
                for row in self.months
            ],
            "temperatures_degC": dict(self.temperatures),
            "time_offset_min": self.offset,
            "cautions": [c.to_dict() for c in self.cautions],
        }  # fmt: skip

    def __repr__(self) -> str:
        return "SitePage\n" + "\n".join(f"  {a}: {b}" for a, b in self.rows())

    def _repr_html_(self) -> str:
        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in self.rows()
        )
        return f"<table>{body}</table>"


def _with_limits(median: float, low: float, high: float, unit: str, level: str) -> str:
    said = round_by_uncertainty(median, low, high)
    return f"{said['value']} {unit} ({level} interval {said['low']} to {said['high']})"


def site_page(site: str | Path | Site, *, level: float = 0.95, seed: int = 0) -> SitePage:
    """What is known of a site, on one page.

    Parameters
    ----------
    site : name of a site, a weather file, or a `Site`.
    level : of the intervals of the yearly ultraviolet.
    seed : of the draws.

    Returns
    -------
    SitePage

    Raises
    ------
    StudyError : as `durability.exposure.read_site`.

    Examples
    --------
    >>> page = site_page("phoenix")
    >>> page.yearly[0][0], 380 < page.yearly[0][2] < 480
    ('ultraviolet 300-400 nm', True)
    """
    import numpy as np

    from durability.exposure import (
        effective_temperature,
        material_assumptions,
        read_site,
        sky_exposure,
        specimen_temperature,
    )
    from durability.exposure.weather_checks import best_offset
    from durability.translation.inputs import GROUND, draw_site, for_site, read_inputs
    from durability.translation.sky import yearly_draws

    place = read_site(site) if isinstance(site, str | Path) else site
    inputs = for_site(read_inputs(), place)
    cloud = inputs["cloud_power"].value
    sky = sky_exposure(place, cloud_power=cloud)
    shared = draw_site(inputs, place, draws=DRAWS, seed=seed)
    tail = (1 - level) / 2
    yearly = []
    for name, band, per_hour, unit in (
        ("uv_300_400", "ultraviolet 300-400 nm", 0.0036, "MJ/m²"),
        ("uv_295_385", "ultraviolet 295-385 nm", 0.0036, "MJ/m²"),
        ("e340", "at 340 nm", 3.6, "kJ/(m² nm)"),
    ):
        drawn = per_hour * yearly_draws(sky, name, shared, cloud)
        low, middle, high = np.quantile(drawn, [tail, 0.5, 1 - tail])
        yearly.append((band, unit, float(middle), float(low), float(high)))
    uv, air = sky["uv_300_400"].values, sky["temp_air"].values
    energy = material_assumptions(None)["activation_energy"].value
    sun, wind = sky["poa"].values, sky["wind_speed"].values

    def effective(absorptance: float, contact: float = 1.0) -> float:
        warm = specimen_temperature(
            air, sun, wind, absorptance=absorptance,
            rise_factor=inputs["temperature_rise_factor"].value * contact,
        )  # fmt: skip
        return effective_temperature(np.asarray(warm), uv, activation_energy=energy)

    lit = bool((uv > 0).any())
    temperatures = [("mean air", float(air.mean()))]
    if lit:
        unknown = "fabric of unknown colour"
        temperatures += [
            ("effective air", effective(0.0)),
            (f"effective {unknown}, on a rack", effective(inputs["absorptance"].value)),
            (
                f"effective {unknown}, on the ground",
                effective(inputs["absorptance"].value, inputs[GROUND].value),
            ),
            ("effective black panel, on a rack", effective(0.9)),
        ]
    month, days = sky["month"].values, air.reshape(365, 24)
    months = []
    for m in range(1, 13):
        own = month == m
        each = days[own.reshape(365, 24)[:, 0]]
        months.append((
            m, float(sun[own].mean() * 0.0864),
            float(uv[own].sum() * 0.0036 * inputs["uv_factor"].value), float(air[own].mean()),
            float(each.min(axis=1).mean()), float(each.max(axis=1).mean()),
        ))  # fmt: skip
    return SitePage(
        name=place.name, title=place.title, latitude=place.latitude, longitude=place.longitude,
        altitude=place.altitude, utc_offset=place.utc_offset, source=place.source,
        licence=place.licence, file=place.file, weather=_weather(place),
        holds=tuple(HOLDS.get(str(n), str(n)) for n in place.hourly), level=level,
        yearly=tuple(yearly), months=tuple(months), temperatures=tuple(temperatures),
        offset=best_offset(place.hourly, place.latitude, place.longitude) if lit else 0.0,
        cautions=place.cautions,
    )  # fmt: skip


def _weather(place: Site) -> str:
    if place.kind == "monthly":
        return (
            "hours made from twelve monthly means; air uncertain by "
            f"{place.air_temperature_sd:g} K beside its correction"
        )
    if len(place.years) > 1:
        years = [y.year for y in place.years]
        return f"typical year of the {len(years)} measured years {years[0]} to {years[-1]}, hourly"
    return "typical year, hourly" if place.typical_year else "one year, hourly"


__all__ = ["SitePage", "site_page"]
