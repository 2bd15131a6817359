"""After how many hours is a planned withdrawal? Reads times and doses, by the set point."""

from __future__ import annotations

from collections.abc import Sequence

from durability.exposure.delivery import delivery
from durability.exposure.lamp import read_lamp
from durability.study.lamps import dose_unit
from durability.study.model import Exposure
from durability.units import UnitError, measure


def planned_withdrawals(
    texts: Sequence[str], *, lamp: str, irradiance: str | None = None
) -> list[tuple[float, str]]:
    """Clock hours and planned dose of each withdrawal.

    Parameters
    ----------
    texts : times (``"500 h"``, ``"3 week"``) or doses (``"400 kJ/m^2/nm"``) in the lamp's band.
    lamp : name of a file of models/lamps.
    irradiance : own set point with its unit; None takes the lamp file's.

    Returns
    -------
    list of (hours [h], dose in words), ascending, without 0.

    Raises
    ------
    ValueError : every text that is neither, or a dose of another band than the lamp's.

    Examples
    --------
    >>> planned_withdrawals(["500 h"], lamp="xenon-daylight")
    [(500.0, '630 kJ/(m² nm) at 340 nm')]
    >>> planned_withdrawals(["720 h"], lamp="fluorescent-uva-340")[0][1]
    '1538 kJ/(m² nm) at 340 nm'
    """
    about = read_lamp(lamp)
    interval = "-" in about.band
    kind = "irradiance" if interval else "spectral irradiance"
    own = about.irradiance if irradiance is None else measure(irradiance, kind).canonical
    given = delivery(Exposure(name="planned", lamp=lamp, irradiance=own, band=about.band))
    if given is None or not own > 0:
        raise ValueError(f"irradiance is {irradiance}; it must be above 0")
    energy = "energy per area" + ("" if interval else " and wavelength")
    found, faults = [], []
    for text in texts:
        try:
            read = measure(text)
        except UnitError as error:
            faults.append(f"{error}; write a time such as '500 h', or a dose")
            continue
        if read.unit.dimension not in ("time", energy):
            faults.append(
                f"{text!r} is neither a time nor a dose in {dose_unit(about.band)}, "
                f"the control band of {lamp}"
            )
        elif not read.number > 0:
            if read.number < 0:
                faults.append(f"{text!r} is below 0")
        elif read.unit.dimension == "time":
            found.append(read.canonical)
        else:
            found.append(round(float(given.hours(read.canonical)), 1))
    if faults:
        raise ValueError("; ".join(faults))
    hours = sorted(set(found))
    return [(h, f"{float(given.dose(h)):.4g} {given.dose_unit}") for h in hours]
