"""How long and how much memory does a year of a chamber's minutes take, read and integrated?

    uv run python benchmarks/chamber_record.py

A record of 525,600 rows with irradiance, panel, air and humidity is written to a temporary folder,
then read, integrated to a dose, and judged, each timed in a new process that has loaded its
libraries. Asked: at most 2 s for reading and integrating, and at most 300 MB for the whole process.
The careful reader, which names rows, is timed beside it and must give the same record.
"""

from __future__ import annotations

import multiprocessing
import tempfile
import time
from pathlib import Path

import numpy

YEAR = 525_600


def write_record(file: Path, minutes: int = YEAR) -> float:
    """Write a record of so many minutes; the dose that it holds by the trapezoid rule."""
    generator = numpy.random.default_rng(1)
    at = numpy.arange(minutes)
    stamps = numpy.datetime_as_string(
        numpy.datetime64("2031-01-01T00:00") + at.astype("timedelta64[m]"), unit="m"
    )
    wet = at % 120 >= 90
    irradiance = numpy.round(0.35 + 0.003 * generator.standard_normal(minutes), 4)
    panel = numpy.where(wet, 42, 65) + 0.7 * generator.standard_normal(minutes)
    air = 40 + 0.5 * generator.standard_normal(minutes)
    humidity = numpy.where(wet, 92, 50) + generator.standard_normal(minutes)
    with open(file, "w", encoding="utf-8") as stream:
        stream.write("time,irradiance [W/m^2/nm],black_panel [degC],air [degC],humidity [%]\n")
        for i in range(minutes):
            stream.write(
                f"{stamps[i]},{irradiance[i]:.4f},{panel[i]:.1f},{air[i]:.1f},{humidity[i]:.0f}\n"
            )
    return float(3.6 / 60 * (irradiance[1:] + irradiance[:-1]).sum() / 2)


def measure(folder: Path, careful: bool = False) -> dict[str, float]:
    """Seconds to read, integrate and judge, in this process, and its peak memory [MB]."""
    import resource
    from dataclasses import replace

    import pandas  # noqa: F401
    import scipy.ndimage  # noqa: F401
    import xarray  # noqa: F401

    from durability.exposure import chamber, delivery
    from durability.study import record as room
    from durability.study.findings import Findings
    from durability.study.model import Exposure

    if careful:
        room._quick = lambda *rest: None  # type: ignore[assignment]
    stated = Exposure(
        name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm", record_file="log.csv"
    )
    started = time.perf_counter()
    found = room.read_record(folder, stated, Findings(), {})
    read = time.perf_counter()
    exposure = replace(stated, record=found)
    given = delivery(exposure)
    done = time.perf_counter()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    said = chamber(exposure)
    judged = time.perf_counter()
    assert given is not None and given.record is not None
    return {
        "read": read - started,
        "integrate": done - read,
        "judge": judged - done,
        "memory": peak,
        "memory judged": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "dose": float(given.record.cumulative[-1]),
        "judged dose": said.dose,
    }


def main() -> None:
    started = time.perf_counter()
    sum(i for i in range(10**7))
    speed = time.perf_counter() - started
    print(f"speed: ten million additions in plain Python take {speed:.2f} s")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        dose = write_record(folder / "log.csv")
        context = multiprocessing.get_context("spawn")
        with context.Pool(1, maxtasksperchild=1) as pool:
            for words, careful in (("quick", False), ("careful", True)):
                found = pool.apply(measure, (folder, careful))
                both = found["read"] + found["integrate"]
                print(
                    f"{words}: read {found['read']:.2f} s, integrated {found['integrate']:.2f} s "
                    f"(together {both:.2f} s, asked: 2), {found['memory']:.0f} MB (asked: 300); "
                    f"judged in {found['judge']:.2f} s more, {found['memory judged']:.0f} MB"
                )
                assert abs(found["dose"] / dose - 1) < 1e-12, (found["dose"], dose)


if __name__ == "__main__":
    main()
