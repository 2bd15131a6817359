"""Is the engine compiled on this machine? If not, a second process does it while this one reads.

    python -m durability.compiling

Compiled code is kept on disk, so this happens once, and again after an update. The density takes
the second process longer than reading takes this one, which compiles the clock of translation in
the time that is left.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def compiled_meanwhile() -> Iterator[None]:
    """Compile while the body runs, where nothing compiled is found beside the engine.

    Leaving waits for it, importing what a fit needs besides; an error in the body ends it. A
    failure there is not one here: whatever is missing is compiled when it is first used.
    """
    kernel = Path(__file__).parent / "inference" / "kernel.py"
    place = os.environ.get("NUMBA_CACHE_DIR", kernel.parent / "__pycache__")
    kept = Path(place).rglob("kernel.density_callback-*.nbi")
    if any(index.stat().st_mtime >= kernel.stat().st_mtime for index in kept):
        yield
        return
    command = [sys.executable, "-m", "durability.compiling"]
    quiet = subprocess.DEVNULL
    with subprocess.Popen(command, stdin=quiet, stdout=quiet, stderr=quiet) as other:
        try:
            yield
            for name in ("matplotlib.figure", "pvlib"):
                importlib.import_module(name)
            _compile_clock()
            other.wait()
        except BaseException:
            other.kill()
            raise


def _compile_clock() -> None:
    import numpy as np

    from durability.exposure.hourly import LitHours, RateDraws
    from durability.translation.kernel import days_until

    one = np.ones(1)
    sky = LitHours(hour=np.arange(1), log_irradiance=one, log_clearness=one, air=one, rise=one)
    draws = RateDraws(exponent=one, activation_energy=one, cloud=one, heating=one, scale=one)
    days_until(sky, draws, targets=np.ones((1, 1)), starts=np.zeros((1, 1)))


if __name__ == "__main__":
    importlib.import_module("durability.inference.kernel")
    importlib.import_module("durability.inference.rotation")
