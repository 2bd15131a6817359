"""What does a curve say of its strip? Peak, strain there, stiffness and energy, with what is odd.

Nothing is smoothed and the peak is the largest force recorded, to the last digit. Beside it stand
the force that the machine read before the strip pulled (zero), and the slack: how far the jaws
moved before it did. Strain counts from the end of the slack:

    strain = (extension - slack) / (gauge length + slack)
    secant stiffness at a strain = force there / (width · strain)
    energy to peak = ∫ force d(extension), by trapezoids

Slack is where the straight part of the first rise, carried back, meets zero force (toe
compensation, as usual for plastics and fabrics; from memory), or where a pretension is first held.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.retention.curves import Curve

    Floats = NDArray[np.float64]

# common practice, no source: when something is worth pointing at
ZERO_SHARE = 0.01  # zero reading off by more than this share of the peak
SLIP_SHARE = 0.10  # a drop by this share of the peak, made good again
STEP_BACK = 0.01  # a jump back by more than this share of the travel; less is the machine's play
TOE_SHARE = 0.10  # slack beyond this share of the extension at peak
RISE = (0.2, 0.5)  # the straight part of the first rise: between these shares of the peak

FLAGS: dict[str, str] = {
    "zero_off": "The machine did not read zero before the strip pulled; the peak is as recorded.",
    "noisy": "Force at the start scatters by more than 2 % of the peak.",
    "toe": "The jaws moved far before the strip pulled; strain counts from the end of the slack.",
    "slipped": "Force dropped and came back before the peak: the strip may have slipped.",
    "went_back": "The extension jumps back: extension and energy beyond that place are doubtful.",
    "peak_at_end": "The peak is the last point: the record may have ended before the strip broke.",
    "stated_differs": "The peak that the machine states above its table is not the largest force.",
}
"""Names under `Strip.flags`, explained."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One drop of force before the peak: where [mm], from and to which force [N]."""

    extension: float
    before: float
    after: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip:
    """What one curve says of its strip.

    Parameters
    ----------
    name : of the curve.
    peak_force : largest force recorded [N].
    extension_at_peak : as recorded [mm].
    zero : force that the machine read before the strip pulled [N].
    zero_noise : robust standard deviation of those readings [N].
    slack : extension before the strip pulled [mm].
    strain_at_peak : [1]; nan without a gauge length.
    energy_to_peak : as recorded [J].
    energy_corrected : from the end of the slack, less the zero reading [J].
    stiffness : strain [1] to secant stiffness, [kN/m] with a width, [N] without; nan where the
        strip broke before that strain.
    slips : drops of force before the peak, each at least `SLIP_SHARE` of the peak.
    steps_back : (from, to) [mm] of each jump of the extension back.
    flags : names of `FLAGS`.
    """

    name: str
    peak_force: float
    extension_at_peak: float
    zero: float
    zero_noise: float
    slack: float
    strain_at_peak: float
    energy_to_peak: float
    energy_corrected: float
    stiffness: dict[float, float]
    slips: tuple[Slip, ...]
    steps_back: tuple[tuple[float, float], ...]
    flags: tuple[str, ...]

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that a reader sees."""
        found = [
            ("peak force", f"{self.peak_force:g} N at {self.extension_at_peak:g} mm"),
            ("zero, slack", f"{self.zero:.3g} N, {self.slack:.3g} mm"),
            ("energy to peak", f"{self.energy_to_peak:.4g} J"),
        ]
        if np.isfinite(self.strain_at_peak):
            found.append(("strain at peak", f"{100 * self.strain_at_peak:.3g} %"))
        found += [(f"stiffness at {100 * e:g} %", f"{k:.4g}") for e, k in self.stiffness.items()]
        return [*found, *(("flag", FLAGS[f]) for f in self.flags)]

    def __repr__(self) -> str:
        rows = self.rows()
        return "\n".join([f"Strip {self.name}", *(f"  {a:<20} {b}" for a, b in rows)])

    def to_dict(self) -> dict[str, Any]:
        """The record as plain types for JSON; None for a number that does not exist."""

        def plain(x: float) -> float | None:
            return float(x) if np.isfinite(x) else None

        names = ("peak_force", "extension_at_peak", "zero", "zero_noise", "slack",
                 "strain_at_peak", "energy_to_peak", "energy_corrected")  # fmt: skip
        return {
            "name": self.name,
            **{n: plain(getattr(self, n)) for n in names},
            "stiffness": {f"{e:g}": plain(k) for e, k in self.stiffness.items()},
            "slips": [[s.extension, s.before, s.after] for s in self.slips],
            "steps_back": [list(step) for step in self.steps_back],
            "flags": list(self.flags),
        }


def reduce_curve(
    curve: Curve,
    *,
    gauge_length: float | None = None,
    width: float | None = None,
    stiffness_at: Sequence[float] = (),
    slack: Literal["line", "none"] | float = "line",
) -> Strip:
    """Peak, strain, stiffness and energy of a strip from its curve.

    Parameters
    ----------
    curve : from `read_curve`.
    gauge_length : free length between the jaws [mm]; without it there are no strains.
    width : [mm]; without it stiffness is a force [N].
    stiffness_at : strains at which secant stiffness is wanted [1].
    slack : ``line``: the straight part of the first rise carried back to zero force; ``none``: as
        recorded; a number: where the force first holds that pretension [N] above zero.

    Examples
    --------
    A strip of 100 mm that hangs loose for 2 mm, then pulls 50 N a millimetre and breaks at 400 N:

    >>> from durability.retention.curves import Curve
    >>> x = np.arange(0, 11, 0.25)
    >>> c = Curve(name="1", file="", extension=x, force=np.where(x > 2, 50 * (x - 2), 0.0))
    >>> strip = reduce_curve(c, gauge_length=98, width=50, stiffness_at=[0.05])
    >>> round(strip.slack, 6), round(strip.strain_at_peak, 4), round(strip.stiffness[0.05], 6)
    (2.0, 0.0875, 100.0)
    """
    force, extension = curve.force, curve.extension
    top = int(force.argmax())
    peak, at_peak = float(force[top]), float(extension[top])
    zero, noise = _zero(force, extension, top)
    back = _steps_back(extension)
    slips = _slips(force, extension, top, noise)
    # the pull that ends at the peak: from the last jump back before it
    jumps = np.flatnonzero(np.diff(extension[: top + 1]) < -STEP_BACK * np.ptp(extension))
    begin = int(jumps[-1]) + 1 if jumps.size else 0
    pull, travel = force[begin : top + 1] - zero, extension[begin : top + 1]
    loose = _slack(pull, travel, slack)
    taut = travel >= loose
    tight = np.concatenate([[0.0], pull[taut]]), np.concatenate([[loose], travel[taut]])
    length = np.nan if gauge_length is None else gauge_length + loose
    stiffness = {float(e): _secant(pull, travel, loose, length, e, width) for e in stiffness_at}
    stated = [s.number for s in curve.stated if s.unit == "N" and s.number >= 0.5 * peak]
    checks = {
        "zero_off": abs(zero) > ZERO_SHARE * peak,
        "noisy": noise > 0.02 * peak,
        "toe": loose - travel[0] > TOE_SHARE * (at_peak - travel[0]),
        "slipped": bool(slips),
        "went_back": bool(back),
        "peak_at_end": top == force.size - 1,
        "stated_differs": bool(stated) and not any(_agree(s, peak) for s in stated),
    }
    return Strip(
        name=curve.name,
        peak_force=peak,
        extension_at_peak=at_peak,
        zero=zero,
        zero_noise=noise,
        slack=loose,
        strain_at_peak=(at_peak - loose) / length,
        energy_to_peak=float(np.trapezoid(force[: top + 1], extension[: top + 1])) / 1000,
        energy_corrected=float(np.trapezoid(*tight)) / 1000,
        stiffness=stiffness,
        slips=slips,
        steps_back=back,
        flags=tuple(name for name, holds in checks.items() if holds),
    )


def _agree(a: float, b: float) -> bool:
    return abs(a - b) <= 1e-6 * max(abs(a), abs(b))


def _zero(force: Floats, extension: Floats, top: int) -> tuple[float, float]:
    """Median and robust spread of the first readings: 1 % of the way to the peak, 5 at least."""
    near = extension[0] + 0.01 * (extension[top] - extension[0])
    count = int(np.argmax(extension > near)) if (extension > near).any() else force.size
    first = force[: max(count, min(5, top))] if top else force[:1]
    zero = float(np.median(first))
    return zero, float(1.4826 * np.median(np.abs(first - zero)))


def _steps_back(extension: Floats) -> tuple[tuple[float, float], ...]:
    """Jumps of the extension back that are more than the play of the machine."""
    step = np.diff(extension)
    far = np.flatnonzero(step < -STEP_BACK * np.ptp(extension))
    return tuple((float(extension[i]), float(extension[i + 1])) for i in far)


def _slips(force: Floats, extension: Floats, top: int, noise: float) -> tuple[Slip, ...]:
    """Drops of force before the peak, from each local maximum to the lowest force after it.

    Looked for in the running median of up to 15 points, so that noise makes none.
    """
    calm = _running_median(force[: top + 1])
    need = max(SLIP_SHARE * force[top], 6 * noise)
    found: list[Slip] = []
    high, low, place = calm[0], calm[0], 0
    for i, here in enumerate(calm):
        if here >= high:
            if high - low >= need:
                found.append(Slip(extension=float(extension[place]), before=float(high),
                                  after=float(low)))  # fmt: skip
            high = low = here
            place = i
        else:
            low = min(low, here)
    return tuple(found)


def _running_median(force: Floats) -> Floats:
    """Median of the points around each: a fiftieth of all, 15 at most."""
    wing = min(force.size // 50, 15) // 2
    if not wing:
        return force
    padded = np.pad(force, wing, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * wing + 1), axis=1)


def _slack(force: Floats, extension: Floats, how: Literal["line", "none"] | float) -> float:
    """Extension at which the strip begins to pull; arrays end at the peak."""
    first = float(extension[0])
    if how == "none" or force.size < 4:
        return first
    if how != "line":
        held = np.flatnonzero(force >= float(how))
        return float(extension[held[0]]) if held.size else first
    low, high = (share * force[-1] for share in RISE)
    to = int(np.argmax(force >= high))
    before = np.flatnonzero(force[:to] <= low)
    if not before.size:
        return first
    # from where the rise last left its lower share: an early blip is no straight part
    x, y = extension[before[-1] : to + 1], force[before[-1] : to + 1]
    spread = ((x - x.mean()) ** 2).sum()
    slope = ((x - x.mean()) * y).sum() / spread if spread > 0 else 0.0
    if slope <= 0:
        return first
    return float(np.clip(x.mean() - y.mean() / slope, first, x[0]))


def _secant(
    force: Floats, extension: Floats, slack: float, length: float, strain: float,
    width: float | None,
) -> float:  # fmt: skip
    """Secant stiffness at a strain; nan where the strip broke before it. Arrays end at the peak."""
    place = slack + strain * length
    if not (strain > 0 and place <= extension[-1]):
        return float("nan")
    i = int(np.argmax(extension >= place))
    x, y = extension[max(i - 1, 0) : i + 1], force[max(i - 1, 0) : i + 1]
    held = float(y[-1] if x.size < 2 or x[1] == x[0] else np.interp(place, x, y))
    return held / strain / (width if width is not None else 1.0)
