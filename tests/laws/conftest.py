"""The compiled kernel, run on one tape at one point."""

from __future__ import annotations

import ctypes

import numpy as np
import pytest


@pytest.fixture(scope="session")
def kernel_at():
    """Value and derivatives of a tape by the compiled kernel, which differentiates by logs."""
    from durability.inference import kernel

    def pointer(array):
        kind = ctypes.c_int64 if array.dtype == np.int64 else ctypes.c_double
        return array.ctypes.data_as(ctypes.POINTER(kind))

    def run(tape, at):
        code, constants = tape.arrays()
        n, size = len(at), len(at) + len(code)
        value = np.zeros((size, kernel.BLOCK))
        tangent = np.zeros((size, n, kernel.BLOCK))
        value[:n, 0], tangent[:n, :, 0] = at, np.diag(at)
        log_first = np.full(kernel.BLOCK, np.log(float(at[0])))
        code = np.ascontiguousarray(code)
        kernel._tape.ctypes(
            pointer(code), len(code), pointer(constants), n, 1,
            pointer(value), pointer(tangent), pointer(log_first),
        )  # fmt: skip
        return value[-1, 0], tangent[-1, :, 0] / np.asarray(at, dtype=float)

    return run
