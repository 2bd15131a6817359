"""The compiled kernel, run on one tape at one point."""

from __future__ import annotations

import numpy as np
import pytest


@pytest.fixture(scope="session")
def kernel_at():
    """Value and derivatives of a tape by the compiled kernel, at plain numbers."""
    from durability.inference.kernel import run_tape

    def run(tape, at):
        code, constants = tape.arrays()
        n = len(at)
        value, slope = np.empty((n + len(code), 1)), np.zeros((n + len(code), n, 1))
        value[:n, 0], slope[:n, :, 0] = at, np.eye(n)
        run_tape(code, constants, n, value, slope, np.log([float(at[0])]))
        return value[-1, 0], slope[-1, :, 0]

    return run
