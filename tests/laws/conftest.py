"""The compiled kernel, run on one tape at one point."""

from __future__ import annotations

import ctypes

import numpy as np
import pytest


@pytest.fixture(scope="session")
def kernel_at():
    """Value and derivatives of a tape by the compiled kernel, which differentiates by logs."""
    from durability.inference import kernel

    whole, address = ctypes.c_int64, ctypes.c_void_p
    call = ctypes.CFUNCTYPE(
        whole, address, whole, address, whole, whole, address, address, address
    )(kernel._tape.address)  # fmt: skip

    def run(tape, at):
        code, constants = tape.arrays()
        n, size = len(at), len(at) + len(code)
        value = np.zeros((size, kernel.BLOCK))
        tangent = np.zeros((size, n, kernel.BLOCK))
        value[:n, 0], tangent[:n, :, 0] = at, np.diag(at)
        log_first = np.full(kernel.BLOCK, np.log(float(at[0])))
        code = np.ascontiguousarray(code)
        call(
            code.ctypes.data, len(code), constants.ctypes.data, n, 1,
            value.ctypes.data, tangent.ctypes.data, log_first.ctypes.data,
        )  # fmt: skip
        return value[-1, 0], tangent[-1, :, 0] / np.asarray(at, dtype=float)

    return run
