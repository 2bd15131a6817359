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
        value, slope = np.empty(n + len(code)), np.zeros((n + len(code), n))
        value[:n], slope[:n] = at, np.eye(n)
        run_tape(code, constants, n, n, value, slope, float(np.log(at[0])))
        return value[-1], slope[-1]

    return run
