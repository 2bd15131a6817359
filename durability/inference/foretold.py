"""What would be found of strips in the open? Predicted from a fit that has not seen them.

A strip's strength is its lot's unexposed strength, times what the law leaves at the dose that the
lamp would have needed for the same damage, times its own scatter. All that is uncertain is drawn:
parameters that the fit holds jointly with its threshold dose, the others from their priors.
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.exposure import with_dose
from durability.inference.clock_terms import MaterialClock, material_clock, values_of

if TYPE_CHECKING:
    from durability.inference.fitted import Fit
    from durability.study import Study


def sites_of(study: Study) -> tuple[str, ...]:
    """Sites at which strips that are used lay, in the study's order."""
    used = set(study.rows["exposure"].values[study.rows["used"].values].tolist())
    sites = [e.site for x, e in study.exposures.items() if e.site and x in used]
    return tuple(dict.fromkeys(sites))


def without_sites(study: Study, sites: tuple[str, ...]) -> Study:
    """The study without the exposures, and all their data, at some sites.

    Their unexposed strips stay: they tell of the lot, not of the site.
    """
    gone = [x for x, e in study.exposures.items() if e.site in sites]

    def kept(table: Any, dimension: str) -> Any:
        if table is None:
            return None
        start = np.zeros(table.sizes[dimension], dtype=bool)
        for name in ("hours", "dose"):
            if name in table:
                start |= table[name].values == 0
        names = table["exposure"].values.astype(str)
        keep = ~np.isin(names, gone) | start
        left = table.isel({dimension: np.flatnonzero(keep)})
        blank = np.where(np.isin(names[keep], gone), "", names[keep])
        return left.assign(exposure=(dimension, blank))

    return dataclasses.replace(
        study,
        rows=kept(study.rows, "row"),
        readings=kept(study.readings, "reading"),
        inspections=kept(study.inspections, "inspection"),
        declared=kept(study.declared, "declaration"),
        exposures={x: e for x, e in study.exposures.items() if x not in gone},
    )


def equivalent_draws(
    study: Study, seen: Fit, material: str, exposure: str, days: np.ndarray, *, seed: int
) -> tuple[np.ndarray, str] | None:
    """Dose under the lamp that does what so many days in the open do, for each draw.

    Parameters
    ----------
    study : with the outdoor exposure.
    seen : a fit, to the study or to a part of it; parameters that it holds are taken from it,
        jointly with its threshold dose, and the others from their priors.
    material, exposure : of the strips in the open.
    days : (day,) since laying.
    seed : of the prior draws.

    Returns
    -------
    ((draw, day) dose in the lamp exposure's canonical unit, name of that lamp exposure); None where
    no lamp exposure of the material can be compared with the sky.
    """
    clock = material_clock(study, material)
    lamp = lamp_beside(clock, seen, material)
    if lamp is None or exposure not in clock.skies:
        return None
    values = values_of(clock, posterior_clock(seen, clock), seen.n_draws,
                       np.random.default_rng([seed, 1954]))  # fmt: skip
    sky = clock.log_dose(exposure, days, values)
    return np.exp(sky - clock.log_dose(lamp, np.ones(1), values)), lamp


def posterior_clock(seen: Fit, clock: MaterialClock) -> dict[str, np.ndarray]:
    """Posterior draws (draw,) of those parameters of a clock that a fit holds, by label."""
    found = {}
    for column in clock.parameters:
        if column.label in seen.posterior:
            found[column.label] = seen.posterior[column.label].values.reshape(-1)
    return found


def lamp_beside(clock: MaterialClock, seen: Fit, material: str) -> str | None:
    """The lamp exposure of a fit on whose conditions the sky's dose is read."""
    families = {clock.family[x] for x in clock.skies}
    known = seen.exposures(material) if material in seen.materials else ()
    return next((x for x in known if x in clock.lamps and clock.family[x] in families), None)


def predicted_groups(
    study: Study, seen: Fit, material: str, sites: tuple[str, ...], *, level: float, seed: int
) -> tuple[list[dict[str, Any]], list[str]]:
    """Records of one material's withdrawals at some sites, and what could not be predicted."""
    rows = study.rows
    text = {k: rows[k].values.astype(str) for k in ("material", "lot", "direction", "exposure")}
    strength, n = rows["strength"].values, rows["n"].values
    summary, censored = rows["summary"].values, rows["censored"].values
    dose = with_dose(study)["dose"].values
    mine = (text["material"] == material) & rows["used"].values
    open_air = [x for x, e in study.exposures.items() if e.site in sites]
    outside = mine & np.isin(text["exposure"], open_air) & (dose > 0)
    records: list[dict[str, Any]] = []
    skipped: list[str] = []
    for exposure in dict.fromkeys(text["exposure"][outside].tolist()):
        here = outside & (text["exposure"] == exposure)
        days = np.unique(dose[here])
        found = equivalent_draws(study, seen, material, exposure, days, seed=seed)
        if found is None:
            skipped.append(f"{material} at {exposure}: no lamp exposure that the sun can be "
                           "compared with")  # fmt: skip
            continue
        equivalent, lamp = found
        for lot, direction in dict.fromkeys(
            zip(text["lot"][here].tolist(), text["direction"][here].tolist(), strict=True)
        ):
            series = here & (text["lot"] == lot) & (text["direction"] == direction)
            start = mine & (dose == 0) & (text["lot"] == lot) & (text["direction"] == direction)
            about = _Series(seen, material, lot, direction, lamp, seed)
            level_at_start = about.unexposed(strength[start & (censored == 0)],
                                             n[start & (censored == 0)])  # fmt: skip
            for j in np.flatnonzero(np.isin(days, dose[series])):
                at = series & (dose == days[j])
                record = about.group(
                    equivalent[:, j], level_at_start, strength[at],
                    np.where(summary[at], np.maximum(n[at], 1), 1), censored[at], level,
                )  # fmt: skip
                if record is None:
                    skipped.append(f"{material} {lot} at {exposure}, {days[j]:g}: every strip was "
                                   "too weak or too strong to measure")  # fmt: skip
                    continue
                records.append(
                    {
                        "material": material,
                        "lot": lot,
                        "direction": direction,
                        "exposure": exposure,
                        "site": study.exposures[exposure].site,
                        "days": float(days[j]) * _days_in(study.exposures[exposure].axis),
                        **record,
                        "equivalent_dose": float(np.median(equivalent[:, j])),
                        "dose_unit": study.exposures[lamp].dose_unit,
                    }
                )
    return records, skipped


class _Series:
    """What a fit says of one lot and direction on one lamp's conditions."""

    def __init__(
        self, seen: Fit, material: str, lot: str, direction: str, lamp: str, seed: int
    ) -> None:
        self.seen, self.material, self.direction = seen, material, direction
        known = seen.directions(material)
        read = direction if direction in known else known[0]
        log_scale = np.log(
            seen.scale_draws(of="mean", material=material, direction=read, exposure=lamp)
        )
        self.rng = np.random.default_rng([seed, 311, *f"{material} {lot} {direction}".encode()])
        self.scale = np.exp(log_scale + self._lot(lot, lamp))
        place = seen.model.materials.index(material)
        self.spread = seen.posterior["strip_spread"].values.reshape(seen.n_draws, -1)[:, place]

    def _lot(self, lot: str, lamp: str) -> np.ndarray:
        """Draws of the lot's effect on log threshold dose; of a new lot where it was not tested."""
        posterior, draws = self.seen.posterior, self.seen.n_draws
        name = f"{self.material} | {lot}"
        if "lot" in posterior.coords and name in posterior["lot"].values:
            return posterior["lot_effect"].sel(lot=name).values.reshape(draws)
        tested = {k[1] for k in self.seen.model.series if k[0] == self.material}
        if tested == {lot} and "own_lot_effect" in posterior:
            main = self.seen.model.mains.index((self.material, self.seen.model.families[lamp]))
            return posterior["own_lot_effect"].values.reshape(draws, -1)[:, main]
        spread = posterior["lot_spread_of_threshold"].values.reshape(draws)
        return spread * self.rng.standard_normal(draws)

    def unexposed(self, strength: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, float]:
        """Draws of the log unexposed strength of the lot, from its own strips where it has any, and
        the value that stands for it: their mean, else the median."""
        count = np.maximum(n, 1)
        if strength.size:
            middle = float(np.average(np.log(strength), weights=count))
            noise = self.rng.standard_normal(self.seen.n_draws)
            return middle + self.spread / math.sqrt(count.sum()) * noise, middle
        level = np.log(self.seen.unexposed_draws(self.material, self.direction))
        if "lot_spread_of_strength" in self.seen.posterior:
            spread = self.seen.posterior["lot_spread_of_strength"].values.reshape(-1)
            level = level + spread * self.rng.standard_normal(self.seen.n_draws)
        return level, float(np.median(level))

    def group(
        self,
        equivalent: np.ndarray,
        unexposed: tuple[np.ndarray, float],
        strength: np.ndarray,
        n: np.ndarray,
        censored: np.ndarray,
        level: float,
    ) -> dict[str, Any] | None:
        """One withdrawal beside its prediction; None where every strip is censored."""
        model = self.seen.model
        left = model.law.retained(equivalent / self.scale, self.seen.shape_draws(self.material))
        log_left = np.log(np.maximum(left, 1e-12)) * (-1.0 if model.rises else 1.0)
        start, unit = unexposed
        tails = [0.5, 0.5 - level / 2, 0.5 + level / 2]
        measured = censored == 0
        single = n == 1
        strip = start + log_left + self.spread * self.rng.standard_normal(self.seen.n_draws)
        _, low_strip, high_strip = np.exp(np.quantile(strip, tails))
        inside = np.where(
            censored == 0,
            (strength >= low_strip) & (strength <= high_strip),
            np.where(censored < 0, low_strip <= strength, high_strip >= strength),
        )
        if not measured.any():
            return None
        count = int(n[measured].sum())
        observed = float(np.average(np.log(strength[measured]), weights=n[measured]))
        noise = self.spread / math.sqrt(count) * self.rng.standard_normal(self.seen.n_draws)
        middle, low, high = np.exp(np.quantile(start + log_left + noise, tails) - unit)
        share = math.exp(observed - unit)
        return {
            "n": count,
            "observed": share,
            "predicted": float(middle),
            "low": float(low),
            "high": float(high),
            "inside": bool(low <= share <= high),
            "strips": int(single.sum()),
            "strips_inside": int(inside[single].sum()),
        }


def _days_in(axis: str | None) -> float:
    """Days in one unit of an outdoor exposure's axis."""
    from durability.units import unit

    return unit(axis or "days", "time").factor / 24.0


__all__ = [
    "equivalent_draws",
    "lamp_beside",
    "posterior_clock",
    "predicted_groups",
    "sites_of",
    "without_sites",
]
