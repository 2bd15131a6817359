"""In which phase of its cycle was the chamber at each reading? Lays a record against the cycle.

The start of the cycle is not logged, chambers stop and go on, and clocks differ. So the record is
cut where it was interrupted and at least once a day, and in each piece the start of the cycle is
the one under which the phases explain most of the scatter of light and black panel. A logged
switch of the spray is simply believed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.study.model import Segment

if TYPE_CHECKING:
    from numpy.typing import NDArray

UNKNOWN = -1
_BINS = 240
_PIECE = 24.0


def phase_of(
    clock: NDArray,
    lit: NDArray,
    panel: NDArray,
    cycle: tuple[Segment, ...],
    *,
    breaks: NDArray,
    spray: NDArray | None = None,
    told_apart: float = 0.2,
) -> NDArray:
    """The phase of the cycle at each reading.

    Parameters
    ----------
    clock : (time,) [h].
    lit : (time,) whether the lamp burned.
    panel : (time,) black panel [degC], nan where not recorded.
    cycle : phases in order.
    breaks : (time,) True where a new piece begins: after a gap or an interruption.
    spray : (time,) 0 or 1 where the switch was logged, nan or None elsewhere.
    told_apart : least share of the scatter that the phases must explain.

    Returns
    -------
    int array (time,): place in `cycle`, or -1 where it cannot be told. A reading whose light
    disagrees with its phase is -1 too.

    Examples
    --------
    >>> import numpy
    >>> hours = numpy.arange(0, 24, 0.25)
    >>> lit = (hours + 1) % 12 < 8
    >>> cycle = (Segment(minutes=480, light=True), Segment(minutes=240, light=False))
    >>> found = phase_of(hours, lit, numpy.full(96, numpy.nan), cycle, breaks=hours < 0)
    >>> bool((found == numpy.where(lit, 0, 1)).all())
    True
    """
    import numpy

    phase = numpy.full(clock.size, UNKNOWN, dtype=numpy.int64)
    switched = numpy.full(clock.size, numpy.nan) if spray is None else spray
    for light in (True, False):
        for wet in (True, False):
            fits = [i for i, s in enumerate(cycle) if (s.light, s.spray) == (light, wet)]
            alike = [i for i, s in enumerate(cycle) if s.light == light]
            known = (lit == light) & (switched == float(wet))
            if len(fits) == 1:
                phase[known] = fits[0]
            if len(alike) == 1:
                phase[lit == light] = alike[0]
    if len(cycle) < 2 or (phase != UNKNOWN).all():
        return phase
    whole = sum(s.minutes for s in cycle) / 60
    length = max(_PIECE, 2 * whole)
    new = breaks.copy()
    new[0] = True
    begin = numpy.maximum.accumulate(numpy.where(new, numpy.arange(clock.size), 0))
    piece = numpy.cumsum(new) * (1 << 32) + ((clock - clock[begin]) // length).astype(numpy.int64)
    edges = numpy.flatnonzero(numpy.diff(piece, prepend=piece[0] - 1))
    for low, high in zip(edges, [*edges[1:], clock.size], strict=True):
        part = slice(low, high)
        if (phase[part] == UNKNOWN).any():
            phase[part] = _laid(
                clock[part], lit[part], panel[part], cycle, whole, told_apart, phase[part]
            )
    return phase


def _laid(
    clock: NDArray,
    lit: NDArray,
    panel: NDArray,
    cycle: tuple[Segment, ...],
    whole: float,
    told_apart: float,
    known: NDArray,
) -> NDArray:
    import numpy

    if clock[-1] - clock[0] < whole:
        return known
    place = ((clock / whole) % 1 * _BINS).astype(numpy.int64) % _BINS
    ends = numpy.round(numpy.cumsum([s.minutes / 60 / whole for s in cycle]) * _BINS).astype(int)
    starts = numpy.concatenate([[0], ends[:-1]])
    recorded = numpy.isfinite(panel)
    has_panel = bool(recorded.mean() > 0.5)
    signals = [(place, lit.astype(float))] if any(not s.light for s in cycle) else []
    if has_panel:
        signals.append((place[recorded], panel[recorded]))
    explained = numpy.zeros(_BINS)
    for at, y in signals:
        spread = float(y.var())
        if spread > 0:
            count = _windows(at, numpy.ones_like(y), starts, ends)
            total = _windows(at, y - y.mean(), starts, ends)
            between = (total**2 / numpy.maximum(count, 1)).sum(axis=0) / y.size
            explained += between / spread
    if has_panel:  # water cools: a fit with the spray warmer than the dry light is the wrong way
        wrong = _spray_warmer(place[recorded], panel[recorded], starts, ends, cycle)
        explained = numpy.where(wrong, 0.0, explained)
    # the middle of equally good starts: bins that hold no reading leave it open
    top = explained.max()
    if not signals or top < told_apart * len(signals):
        return known
    best = _middle(explained >= top - 1e-9)
    of_bin = numpy.searchsorted(ends, numpy.arange(_BINS), side="right")
    found = of_bin[(place - best) % _BINS]
    light = numpy.array([s.light for s in cycle])
    found = numpy.where(light[found] == lit, found, UNKNOWN)
    return numpy.where(known == UNKNOWN, found, known)


def _windows(place: NDArray, values: NDArray, starts: NDArray, ends: NDArray) -> NDArray:
    """Sum of `values` in each phase for every start of the cycle: (phase, start)."""
    import numpy

    folded = numpy.bincount(place, weights=values, minlength=_BINS)
    running = numpy.concatenate([[0.0], numpy.cumsum(numpy.tile(folded, 2))])
    start = numpy.arange(_BINS)
    return numpy.array(
        [running[start + b] - running[start + a] for a, b in zip(starts, ends, strict=True)]
    )


def _spray_warmer(
    place: NDArray, panel: NDArray, starts: NDArray, ends: NDArray, cycle: tuple[Segment, ...]
) -> NDArray:
    import numpy

    total = _windows(place, panel, starts, ends)
    count = _windows(place, numpy.ones_like(panel), starts, ends)
    wet = numpy.array([s.light and s.spray for s in cycle])
    dry = numpy.array([s.light and not s.spray for s in cycle])
    if not (wet.any() and dry.any()):
        return numpy.zeros(_BINS, dtype=bool)

    def mean(which: NDArray) -> NDArray:
        return total[which].sum(axis=0) / numpy.maximum(count[which].sum(axis=0), 1e-9)

    return mean(wet) >= mean(dry)


def _middle(best: NDArray) -> int:
    """Middle of the first run of True on a circle."""
    import numpy

    first = int(best.argmax())
    if best[0] and best[-1]:
        first = int(numpy.flatnonzero(~best)[-1]) + 1 if not best.all() else 0
    run = 0
    while run < best.size and best[(first + run) % best.size]:
        run += 1
    return (first + (run - 1) // 2) % best.size
