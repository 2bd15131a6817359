"""The cells of a map, one by one, in compiled code: what `durability.translation.cells` runs.

A cell goes through three passes: light and heat of its lit hours, the effective dose of each step
of the year for each draw, and the day on which it reaches the target. Nothing in them needs
Python's lock, so that two threads draw two parts of a map at full speed.

Light on a plane is that of `durability.exposure.sky`, wet hours are those of
`durability.exposure.wetness`; beam and diffuse light come from the total by Erbs's correlation and
the diffuse light of a tilted plane by Hay and Davies (as pvlib has both).

This module imports numba at the top; it is itself imported inside the functions that need it. What
could change in other files is handed over, since numba keeps compiled code by the state of the
file alone.
"""

from __future__ import annotations

import functools
from typing import NamedTuple

import numba
import numpy as np

from durability.machine_code import compiled_and_kept
from durability.translation.sweep import exponentials

SUN = 1366.1
"""Sunlight outside the atmosphere [W/m²], as pvlib has it."""
ENDS = np.cumsum(np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]))
"""Day of the year on which each month ends [d]."""
MOVES = 5
"""Means by which the log of a step's dose is expanded."""
ABREAST = 8
"""Draws whose running sums are made together, since they lie together in memory."""


class Physics(NamedTuple):
    """What all cells share in light, heat and moisture.

    Parameters
    ----------
    monthly : whether weather is twelve means instead of 8760 hours in UTC.
    rows_a_step : days of a step; with monthly means states of clearness of a month.
    cloud, heat : cloud power, and warming of the fabric over the reference surface [1].
    warming : added to the air of monthly means [K].
    wind : where the grid has none [m/s].
    lowest : smallest cosine of the zenith with light.
    dimmest, clearest : limits of sunlight over cloudless sunlight.
    swing, swing_clear, warmest, wind_swing : of a day of monthly means, see
        `durability.exposure.monthly` [K], [K], [h], [1].
    loss, loss_wind : of heat, [W/(m² K)] and that per m/s.
    kelvin : 0 °C [K].
    snow, rain, cooling : depth that covers [cm], rain that wets [mm], cooling by the sky [K].
    tilt, azimuth, horizon : of the plane [radians]; azimuth nan faces the equator.
    lowest_sun : smallest cosine by which a beam is turned onto a plane.
    albedo, albedo_uv : of the ground.
    """

    monthly: bool
    rows_a_step: int
    cloud: float
    heat: float
    warming: float
    wind: float
    lowest: float
    dimmest: float
    clearest: float
    swing: float
    swing_clear: float
    warmest: float
    wind_swing: float
    loss: float
    loss_wind: float
    kelvin: float
    snow: float
    rain: float
    cooling: float
    tilt: float
    azimuth: float
    horizon: float
    lowest_sun: float
    albedo: float
    albedo_uv: float


_compiled = functools.partial(compiled_and_kept, numba.njit, nogil=True, error_model="numpy")


@_compiled(fastmath={"reassoc", "contract", "nsz"})
def _product(a, b, n):  # pragma: no cover (compiled)
    """Sum of a · b over the first n, in any order."""
    total = 0.0
    for i in range(n):
        total += a[i] * b[i]
    return total


@_compiled()
def _at_latitude(latitude, known, table, sky, used):  # pragma: no cover (compiled)
    """The first `used` of the table (place, month, what, k) at a latitude into `sky`, held at its
    first and last place."""
    above = min(max(np.searchsorted(known, latitude), 1), max(known.shape[0] - 1, 1))
    below, part = above - 1, 0.0
    if known.shape[0] == 1:
        above = 0
    else:
        part = (latitude - known[below]) / (known[above] - known[below])
        part = min(max(part, 0.0), 1.0)
    for month in range(sky.shape[0]):
        for what in range(used):
            low, high = table[below, month, what], table[above, month, what]
            for i in range(sky.shape[2]):
                sky[month, what, i] = (1 - part) * low[i] + part * high[i]


@_compiled()
def _smallest(x, k):  # pragma: no cover (compiled)
    """The k-th smallest of x, counted from 0; x is put in another order."""
    low, high = 0, x.shape[0] - 1
    while low < high:
        pivot = x[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while x[i] < pivot:
                i += 1
            while x[j] > pivot:
                j -= 1
            if i <= j:
                x[i], x[j] = x[j], x[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    return x[k]


@_compiled()
def _light(
    latitude, longitude, ghi, air, wind, swing, snow, rain, humidity, cosines, sky, states, length,
    physics, hours, first,
):  # fmt: skip  # pragma: no cover (compiled)
    """The lit hours into `hours` (5, hour); returns how many there are.

    Its rows are log ultraviolet, what a cloud power moves that by, air [K], warming of the
    reference surface [K], and 1 where wet. `sky` (month, 4, k) over `cosines` (k,) holds cloudless
    sunlight, ultraviolet over it, the share of that in the beam, and sunlight across the beam.
    `first` (row + 1,) gets the place of the first lit hour of each day (of the year, or state of
    clearness of a month).
    """
    k = cosines.shape[0]
    spacing = cosines[1] - cosines[0]
    monthly = physics.monthly
    a_step = physics.rows_a_step
    rows = 12 * a_step if monthly else 365
    flat = physics.tilt == 0.0 and physics.horizon == 0.0
    sin_tilt, cos_tilt = np.sin(physics.tilt), np.cos(physics.tilt)
    open_sky = np.cos(physics.horizon) ** 2
    seen_sky = (1 + cos_tilt) / 2 * open_sky
    seen_ground = (1 - cos_tilt) / 2
    hidden_below = np.sin(physics.horizon)
    azimuth = physics.azimuth
    if np.isnan(azimuth):
        azimuth = np.pi if latitude >= 0.0 else 0.0
    east_facing = sin_tilt * np.sin(azimuth)
    north_facing = sin_tilt * np.cos(azimuth)
    phi = np.radians(latitude)
    sin_phi, cos_phi = np.sin(phi), np.cos(phi)
    cos_turn, sin_turn, warm = np.empty(24), np.empty(24), np.empty(24)
    for h in range(24):
        turn = np.radians(15 * (h + 0.5 + (0.0 if monthly else longitude / 15) - 12))
        cos_turn[h], sin_turn[h] = np.cos(turn), np.sin(turn)
        warm[h] = np.cos(2 * np.pi * (h + 0.5 - physics.warmest) / 24)
    cosine, clear, ratio, beam = np.empty(24), np.empty(24), np.empty(24), np.empty(24)
    clear_dni, onto, facing = np.empty(24), np.empty(24), np.empty(24)
    clearness = np.empty(a_step)
    day, passed, extra, here = 0.0, 0.0, SUN, sky[0]
    lit = 0
    for row in range(rows):
        first[row] = lit
        month = row // a_step if monthly else np.searchsorted(ENDS, row, side="right")
        if not monthly or row % a_step == 0:
            if monthly:
                day = passed + length[month] / 2
                passed += length[month]
            else:
                day = row + 1.0
            extra = SUN * (1 + 0.033 * np.cos(2 * np.pi * day / 365))
            # declination after Cooper 1969, from memory
            tilt = np.radians(23.45) * np.sin(2 * np.pi * (284 + day) / 365)
            sin_sun, cos_sun = np.sin(tilt), np.cos(tilt)
            here = sky[month]
            for h in range(24):
                up = sin_phi * sin_sun + cos_phi * cos_sun * cos_turn[h]
                cosine[h] = up
                clear[h] = 0.0
                if up <= physics.lowest:
                    continue
                place = min(max((up - cosines[0]) / spacing, 0.0), k - 1.0)
                at = min(int(place), k - 2)
                part = place - at
                clear[h] = here[0, at] * (1 - part) + here[0, at + 1] * part
                ratio[h] = here[1, at] * (1 - part) + here[1, at + 1] * part
                if flat:
                    continue
                beam[h] = here[2, at] * (1 - part) + here[2, at + 1] * part
                clear_dni[h] = here[3, at] * (1 - part) + here[3, at + 1] * part
                east = -cos_sun * sin_turn[h]
                north = sin_sun * cos_phi - cos_sun * sin_phi * cos_turn[h]
                facing[h] = max(east * east_facing + north * north_facing + up * cos_tilt, 0.0)
                onto[h] = 0.0
                if up > hidden_below:
                    onto[h] = facing[h] / max(up, physics.lowest_sun) if sin_tilt > 0 else 1.0
        if monthly and row % a_step == 0:
            mean = ghi[month] / max(clear.sum() / 24, 1e-9)
            last = states.shape[0] - 1
            place = min(max(mean / physics.clearest, 0.0), 1.0) * last
            at = min(int(place), last - 1)
            for state in range(a_step):
                clearness[state] = states[at, state] * (1 - (place - at)) + (
                    states[at + 1, state] * (place - at)
                )
        for h in range(24):
            if clear[h] <= 0.0:
                continue
            at = month if monthly else row * 24 + h
            sunlight = clear[h] * clearness[row % a_step] if monthly else ghi[at]
            if not sunlight > 0.0 or (snow.shape[0] > 0 and snow[at] >= physics.snow):
                continue
            share = min(max(sunlight / clear[h], physics.dimmest), physics.clearest)
            log_share = np.log(share)
            whole = clear[h] * ratio[h]
            uv = whole * np.exp(physics.cloud * log_share)
            moved, poa = log_share, sunlight
            if not flat:
                up = cosine[h]
                index = min(sunlight / (extra * max(up, 0.065)), 1.0)
                diffuse = 0.165
                if index <= 0.22:
                    diffuse = 1 - 0.09 * index
                elif index <= 0.8:
                    diffuse = (0.9511 - 0.1604 * index + 4.388 * index**2
                               - 16.638 * index**3 + 12.336 * index**4)  # fmt: skip
                dhi = diffuse * sunlight
                dni = (sunlight - dhi) / up
                if up < 0.05233595624294383:  # lower than 3 degrees above the horizon
                    dhi, dni = sunlight, 0.0
                seen = min(dni / max(clear_dni[h], 1e-9), 1.0)
                direct = min(whole * beam[h] * seen, uv)
                reflected = uv * seen_ground * physics.albedo_uv
                around = uv * seen_sky + reflected
                uv = direct * onto[h] + (uv - direct) * seen_sky + reflected
                moved = log_share * around / max(uv, 1e-30)
                if up <= hidden_below:
                    dni = 0.0
                if sin_tilt > 0:
                    toward = dni / extra
                    poa = (
                        dni * facing[h]
                        + dhi * open_sky * (toward * facing[h] / max(up, 0.01745)
                                            + (1 - toward) * (1 + cos_tilt) / 2)
                        + sunlight * physics.albedo * seen_ground
                    )  # fmt: skip
                else:
                    poa = dni * up + dhi * open_sky
            if not uv > 0.0:
                continue
            blows = wind[at] if wind.shape[0] > 0 else physics.wind
            celsius = air[at]
            if monthly:
                blows *= 1 + physics.wind_swing * warm[h]
                if swing.shape[0] > 0:
                    half = swing[at] / 2
                else:
                    half = (physics.swing + physics.swing_clear * min(share, 1.0)) / 2
                celsius += half * warm[h] + physics.warming
            rise = poa / (physics.loss + physics.loss_wind * blows)
            wet = rain.shape[0] > 0 and rain[at] >= physics.rain
            if humidity.shape[0] > 0 and not wet:
                damp = np.log(max(humidity[at], 1e-3)) + 17.62 * celsius / (243.12 + celsius)
                surface = celsius + physics.heat * rise - physics.cooling
                wet = surface <= 243.12 * damp / (17.62 - damp)
            hours[0, lit] = np.log(uv)
            hours[1, lit] = moved
            hours[2, lit] = celsius + physics.kelvin
            hours[3, lit] = rise
            hours[4, lit] = 1.0 if wet else 0.0
            lit += 1
    first[rows] = lit
    return lit


@_compiled()
def _doses(
    hours, first, length, exponent, energy, weights, warm, wetter, physics, room, power, shifted,
    two_to, gained,
):  # fmt: skip  # pragma: no cover (compiled)
    """Effective dose of each step for each draw, into `gained` (step, draw).

    `exponent` and `energy` (Ea/R [K]) are the points between which draws are read by `weights`
    (column, draw); `warm` is the temperature to which doses refer [K]. The log of a step's dose is
    read at the points and moved by means over its hours, weighted by the damage at the middle
    point. All of a step stays in the processor's nearest store.
    """
    n_p, n_e = exponent.shape[0], energy.shape[0]
    points = n_p * n_e
    draws = weights.shape[1]
    a, b, others = room[:n_p], room[n_p : n_p + n_e], room[n_p + n_e :]
    column = np.empty(points + MOVES)
    for s in range(length.shape[0]):
        start = first[s * physics.rows_a_step]
        n = first[(s + 1) * physics.rows_a_step] - start
        log_uv, log_clear, air, rise, damp = hours[:, start : start + n]
        for i in range(n_p):
            for h in range(n):
                power[h] = exponent[i] * log_uv[h]
            exponentials(power, n, 1.0, shifted, two_to, a[i])
        for h in range(n):
            others[0, h] = 1.0 / (air[h] + physics.heat * rise[h])
        for j in range(n_e):
            for h in range(n):
                power[h] = energy[j] * (1.0 / warm - others[0, h])
            exponentials(power, n, 1.0, shifted, two_to, b[j])
        size = length[s] / physics.rows_a_step if physics.monthly else 1.0
        most = 0.0
        for i in range(n_p):
            for j in range(n_e):
                dose = size * _product(a[i], b[j], n)
                most = max(most, dose)
                column[i * n_e + j] = np.log(max(dose, 1e-300))
        if most <= 0.0:
            for d in range(draws):
                gained[s, d] = 0.0
            continue
        weight = 0.0
        for h in range(n):
            cold = others[0, h]
            warmer = rise[h] * cold * cold
            others[0, h] = a[n_p // 2, h] * b[n_e // 2, h]
            others[1, h] = cold * cold
            others[2, h] = warmer
            others[3, h] = warmer * warmer
            others[4, h] = warmer * rise[h] * cold
            weight += others[0, h]
        weight = max(weight, 1e-300)
        column[points] = _product(others[0], log_clear, n) / weight
        for m in range(1, MOVES):
            column[points + m] = _product(others[0], others[m], n) / weight
        column[points + 3] -= column[points + 2] ** 2
        for d in range(draws):
            power[d] = column[0] * weights[0, d]
        for c in range(1, points + MOVES):
            x = column[c]
            for d in range(draws):
                power[d] += x * weights[c, d]
        exponentials(power, draws, 1.0, shifted, two_to, gained[s])
        if wetter.shape[0] > 0:
            wet = _product(others[0], damp, n) / weight
            for d in range(draws):
                gained[s, d] *= 1.0 + (wetter[d] - 1.0) * wet


@_compiled()
def _days(
    gained, length, place, at, into, starts, target, chance, horizon, days, out
):  # fmt: skip  # pragma: no cover (compiled)
    """Median, whole days to cover at 1 − chance, and probability of reaching, (start, 3).

    `place` (step + 1,) is where steps begin and end, `at` and `into` (start, draw) the step of each
    start and the part of it that is over.
    Order statistics, as quantiles of the method "lower". A straight line within each step.
    """
    steps, draws = gained.shape
    sums = np.zeros((ABREAST, steps + 1))
    for d in range(draws):
        if d % ABREAST == 0:
            abreast = min(ABREAST, draws - d)
            for s in range(steps):
                for i in range(abreast):
                    sums[i, s + 1] = sums[i, s] + gained[s, d + i]
        total = sums[d % ABREAST]
        year = total[steps]
        for i in range(starts.shape[0]):
            step, part = at[i, d], into[i, d]
            goal = total[step] * (1 - part) + total[step + 1] * part + target[d]
            found = np.inf
            if year > 0.0 and np.isfinite(goal):
                years = np.floor(goal / year)
                rest = goal - years * year
                low, left = 0, steps
                while left > 1:  # without a branch, which would be guessed wrong half the time
                    half = left // 2
                    low += half * (total[low + half] <= rest)
                    left -= half
                gain = max(total[low + 1] - total[low], 1e-300)
                within = min(max((rest - total[low]) / gain, 0.0), 1.0)
                found = years * 365.0 + place[low] + within * length[low] - starts[i, d]
                if not found <= horizon:
                    found = np.inf
            days[i, d] = found
    half, sure = int(0.5 * (draws - 1)), int(chance * (draws - 1) + 1e-9)
    for i in range(starts.shape[0]):
        reached = 0
        for d in range(draws):
            reached += np.isfinite(days[i, d])
        middle = _smallest(days[i], half)
        cover = np.floor(_smallest(days[i], sure))
        out[i, 0] = middle if np.isfinite(middle) else np.nan
        out[i, 1] = cover if np.isfinite(cover) else np.nan
        out[i, 2] = reached / draws


@_compiled()
def sweep_cells(
    known_weather, latitude, longitude, ghi, air, wind, swing, snow, rain, humidity, known, cosines,
    table, states, physics, exponent, energy, weights, warm, wetter, target, length, starts, chance,
    horizon, out,
):  # fmt: skip  # pragma: no cover (compiled)
    """(cell, start, what) into `out`: days, whole days to cover, probability of reaching.

    Weather (cell, month or hour); what there is none of is (cell, 0). A cell whose weather is not
    known stays as it is. `known` are the latitudes of `table` (place, month, 4, k), see `_light`;
    `wetter` (draw,) is the factor on the rate of wet fabric, empty where it is not counted;
    `starts` (start, draw) is the time of the year of laying [d].
    """
    rows = 12 * physics.rows_a_step if physics.monthly else 365
    steps, draws = length.shape[0], weights.shape[1]
    hours = np.empty((5, rows * 24))
    first = np.zeros(rows + 1, np.int64)
    widest = max(physics.rows_a_step * 24, draws)
    room = np.empty((exponent.shape[0] + energy.shape[0] + MOVES, physics.rows_a_step * 24))
    power, shifted, two_to = np.empty(widest), np.empty(widest), np.empty(widest, np.int64)
    gained, days = np.empty((steps, draws)), np.empty(starts.shape)
    place = np.zeros(steps + 1)
    for s in range(steps):
        place[s + 1] = place[s] + length[s]
    at, into = np.empty(starts.shape, np.int64), np.empty(starts.shape)
    for i in range(starts.shape[0]):
        at[i] = np.searchsorted(place, starts[i], side="right") - 1
        into[i] = (starts[i] - place[at[i]]) / length[at[i]]
    sky = np.empty(table.shape[1:])
    flat = physics.tilt == 0.0 and physics.horizon == 0.0  # needs no beam
    for c in range(latitude.shape[0]):
        if not known_weather[c]:
            continue
        _at_latitude(latitude[c], known, table, sky, 2 if flat else 4)
        lit = _light(
            latitude[c], longitude[c], ghi[c], air[c], wind[c], swing[c], snow[c], rain[c],
            humidity[c], cosines, sky, states, length, physics, hours, first,
        )  # fmt: skip
        if lit == 0:
            out[c, :, 2] = 0.0
            continue
        _doses(
            hours, first, length, exponent, energy, weights, warm, wetter, physics, room, power,
            shifted, two_to, gained,
        )  # fmt: skip
        _days(gained, length, place, at, into, starts, target, chance, horizon, days, out[c])


__all__ = ["Physics", "sweep_cells"]
