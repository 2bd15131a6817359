"""Is shipped code that of the source, and does whatever is missing or broken cost only time?"""

from __future__ import annotations

import ctypes
import importlib
import importlib.util
import lzma
import os
import platform
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from durability.machine_code import PORTABLE, SHIPPED, Pieces, _head

SOURCE = """
from numba import types
from durability.machine_code import Pieces

pieces = Pieces(__file__)
_half = types.ExternalFunction("{name}_half", types.float64(types.float64))


@pieces.add("{name}_half", types.float64(types.float64))
def half(x):
    return {factor} * x


@pieces.add("{name}_quarter", types.float64(types.float64))
def quarter(x):
    return _half(_half(x))


pieces.link()
"""


@pytest.fixture
def written(tmp_path, monkeypatch):
    """A function that writes a file of two pieces, imports it and calls the second."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "kept"))
    name = f"pieces_of_{tmp_path.name}"

    def quarter(factor: float = 0.5):
        file = tmp_path / f"{name}.py"
        file.write_text(SOURCE.format(name=name, factor=factor))
        spec = importlib.util.spec_from_file_location(name, file)
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
        call = ctypes.CFUNCTYPE(ctypes.c_double, ctypes.c_double)(module.quarter.address)
        return module.pieces, call(8.0)

    yield quarter
    sys.modules.pop(name, None)


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_code_is_of_the_source_as_it_stands(name):
    """If this fails: uv run python -m durability.machine_code"""
    pieces = importlib.import_module(name).pieces
    packed = pieces.source.with_suffix(".ll.xz").read_bytes()
    assert lzma.decompress(packed).decode().split("\n", 1)[0] == _head(pieces)
    found = pieces.shipped()
    assert found is not None and all(found.values())


def test_a_file_without_shipped_code_is_compiled_from_source(written):
    pieces, value = written()
    assert value == 2.0
    with pytest.raises(FileNotFoundError):
        pieces.shipped()


def test_shipped_code_is_used_while_its_source_stands_and_not_after(written):
    pieces, _ = written()
    pieces.ship()
    assert pieces.shipped() is not None
    again, value = written()
    assert value == 2.0 and again.shipped() is not None
    changed, value = written(0.25)
    assert changed.shipped() is None
    assert value == 0.5


def test_shipped_code_that_is_cut_off_is_not_used(written):
    pieces, _ = written()
    pieces.ship()
    file = pieces.source.with_suffix(".ll.xz")
    file.write_bytes(file.read_bytes()[:-40])
    assert written()[1] == 2.0


def test_kept_machine_code_that_is_cut_off_is_made_again(written, tmp_path):
    pieces, _ = written()
    pieces.ship()
    written()
    (kept,) = (tmp_path / "kept").glob("*.o")
    whole = kept.read_bytes()
    for cut in (0, 10, len(whole) - 100):
        kept.write_bytes(whole[:cut])
        assert written()[1] == 2.0
        assert kept.read_bytes() == whole


def test_code_that_calls_more_than_c_is_not_shipped(tmp_path):
    from numba import types

    pieces = Pieces(str(tmp_path / "calling.py"))
    outside = types.ExternalFunction("getpid", types.int32())

    @pieces.add("durability_test_calling", types.int32())
    def calling():
        return outside()

    pieces.source.write_text("")
    with pytest.raises(RuntimeError, match=r"calling\.py calls getpid"):
        pieces.ship()


@pytest.mark.slow
@pytest.mark.skipif(platform.machine() != "x86_64", reason="the text was made on x86-64")
@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_code_is_what_the_source_compiles_to(name, tmp_path):
    """Text for text in the pinned environment, made in a process of its own."""
    module = importlib.import_module(name)
    copy = tmp_path / Path(module.__file__).name
    code = (
        "import importlib, sys\n"
        f"pieces = importlib.import_module({name!r}).pieces\n"
        f"pieces.ship({str(copy.with_suffix('.ll.xz'))!r})\n"
    )
    subprocess.run(
        [sys.executable, "-c", code], check=True,
        env=os.environ | PORTABLE | {"NUMBA_CACHE_DIR": str(tmp_path / "empty")},
    )  # fmt: skip
    made = lzma.decompress(copy.with_suffix(".ll.xz").read_bytes())
    assert made == lzma.decompress(module.pieces.source.with_suffix(".ll.xz").read_bytes())


@pytest.mark.slow
def test_shipped_and_compiled_density_agree():
    """On an example, at random points, value and gradient."""
    from durability import read_study
    from durability.inference import kernel
    from durability.inference.build import build_model
    from durability.inference.coordinates import pack
    from durability.inference.search import find
    from durability.laws import read_law

    folder = Path(__file__).parents[1] / "examples" / "quarry-cover"
    model = build_model(read_study(folder), read_law("stretched-exponential"))
    at, _ = find(model)
    buffer, n = pack(model, at), at.centre.size
    compiled = kernel.pieces.compiled()
    kind = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_uint64, *[ctypes.c_void_p] * 4)
    rng = np.random.default_rng(1)
    for _ in range(20):
        z = rng.standard_normal(n)
        found = []
        for address in (kernel.density_callback.address, compiled["durability_density"]):
            grad, value = np.empty(n), np.empty(1)
            kind(address)(n, *[a.ctypes.data for a in (z, grad, value, buffer)])
            found.append(np.append(grad, value))
        np.testing.assert_allclose(*found, rtol=1e-12, atol=1e-12)
