"""Where is the machine code of this file's functions? C functions written in Python, and shipped.

A piece is a function of pointers and numbers that numba can compile. Pieces call each other by
symbol and are called from elsewhere by address:

    pieces = Pieces(__file__)

    @pieces.add("durability_half", types.float64(types.float64))
    def half(x):
        return 0.5 * x

    pieces.link()
    ctypes.CFUNCTYPE(ctypes.c_double, ctypes.c_double)(half.address)(3.0)

Numba takes ten seconds and more to type and lower such a file, and nothing in that depends on the
machine. So what it makes, LLVM's own text, is shipped beside the file (``kernel.py``, then
``kernel.ll.xz``) with the state of the source that it was made from. This machine's own code is
made from it in a second or two, once, and kept where numba keeps its code. A file that has changed
since, or an LLVM of another version, is compiled from source instead: same results, a slower first
start. To ship again what has changed, in the pinned environment:

    uv run python -m durability.machine_code
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import lzma
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

SHIPPED = (
    "durability.inference.kernel",
    "durability.inference.rotation",
    "durability.inference.tails",
    "durability.translation.sweep",
)
"""Modules whose pieces are shipped."""

PORTABLE = {
    "NUMBA_CPU_NAME": "generic",
    "NUMBA_CPU_FEATURES": "",
    "NUMBA_OPT": "1",
    "NUMBA_LOOP_VECTORIZE": "0",
    "NUMBA_SLP_VECTORIZE": "0",
}
"""How numba is told to make code for no machine in particular."""

OUTSIDE = {"malloc", "free"} | {
    "sqrt", "exp", "log", "pow", "sin", "cos", "tanh", "atan", "expm1", "log1p", "erf", "erfc",
    "lgamma",
}  # fmt: skip
"""What shipped code may call besides itself: C's own functions."""


def compiled_and_kept(
    compiler: Callable[..., Any], *signature: Any, **options: Any
) -> Callable[[Callable[..., Any]], Any]:
    """Decorator: compiled by numba, and kept on disk where a folder can be written.

    Parameters
    ----------
    compiler : ``numba.njit`` or ``numba.cfunc``.
    signature, options : of the compiler.
    """

    def made(function: Callable[..., Any]) -> Any:
        try:
            return compiler(*signature, cache=True, **options)(function)
        except RuntimeError:  # numba found no folder for its cache
            return compiler(*signature, **options)(function)

    return made


class Piece:
    """One C function: `function` in Python, and the `address` of its machine code once linked."""

    def __init__(self, symbol: str, signature: Any, function: Callable[..., Any]) -> None:
        self.symbol, self.signature, self.function = symbol, signature, function
        self.address = 0


class Pieces:
    """The C functions of one file.

    Parameters
    ----------
    source : the file.
    """

    def __init__(self, source: str) -> None:
        self.source = Path(source)
        self.members: list[Piece] = []
        self._kept_alive: list[Any] = []

    def add(self, symbol: str, signature: Any) -> Callable[[Callable[..., Any]], Piece]:
        """Decorator: the function becomes a piece that is called by this symbol.

        Parameters
        ----------
        symbol : unique in the toolkit.
        signature : numba's, of numbers and pointers.
        """

        def made(function: Callable[..., Any]) -> Piece:
            self.members.append(Piece(symbol, signature, function))
            return self.members[-1]

        return made

    def link(self) -> None:
        """Give every piece its address: of shipped code where it fits, else of the source's."""
        found = None
        with contextlib.suppress(OSError, RuntimeError, ValueError, lzma.LZMAError):
            found = self.shipped()
        found = self.compiled() if found is None else found
        for piece in self.members:
            piece.address = found[piece.symbol]

    def state(self) -> str:
        """Hash of the source, whatever its line endings."""
        return hashlib.sha256(self.source.read_bytes().replace(b"\r\n", b"\n")).hexdigest()

    def shipped(self) -> dict[str, int] | None:
        """Addresses by symbol in the shipped code; None where it is of another source or LLVM."""
        import llvmlite.binding as llvm

        packed = self.source.with_suffix(".ll.xz").read_bytes()
        text = lzma.decompress(packed).decode()
        head, text = text.split("\n", 1)
        if head != _head(self):
            return None
        machine = _this_machine()
        engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
        if any(llvm.address_of_symbol(name) is None for name in _called(text)):
            return None
        about = (llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten())
        key = hashlib.sha256(packed + repr((llvm.llvm_version_info, about)).encode()).hexdigest()
        name = f"{self.source.stem}-{key[:16]}.o"
        code = _kept(self.source, name)
        if code is None:
            code = _machine_code(text, machine)
            _keep(self.source, name, code)
        engine.add_object_file(llvm.ObjectFileRef.from_data(code))
        engine.finalize_object()
        self._kept_alive.append(engine)
        return {p.symbol: engine.get_function_address(p.symbol) for p in self.members}

    def compiled(self) -> dict[str, int]:
        """Addresses by symbol of code that numba compiles from source, or keeps from before."""
        import llvmlite.binding as llvm
        import numba

        found = {}
        for piece in self.members:
            code: Any = compiled_and_kept(numba.cfunc, piece.signature, error_model="numpy")(
                piece.function
            )
            found[piece.symbol] = int(code.address)
            llvm.add_symbol(piece.symbol, found[piece.symbol])
            self._kept_alive.append(code)
        return found

    def ship(self, to: str | Path | None = None) -> None:
        """Write the portable code beside the source; in a process that heeds `PORTABLE`.

        Parameters
        ----------
        to : another file.

        Raises
        ------
        RuntimeError : the code calls something that is not C's.
        """
        import llvmlite.binding as llvm
        import numba

        whole = llvm.parse_assembly("")
        for piece in self.members:
            llvm.add_symbol(piece.symbol, piece.address)  # numba looks those up that it calls
            code: Any = numba.cfunc(piece.signature, error_model="numpy")(piece.function)
            text = code.inspect_llvm()
            own = re.search(r"@(cfunc\.[^\s(]+)\(", text)
            assert own is not None
            whole.link_in(llvm.parse_assembly(text.replace(own.group(1), piece.symbol)))
        symbols = {piece.symbol for piece in self.members}
        for one in (*whole.functions, *whole.global_variables):
            if not one.is_declaration and one.name not in symbols:
                one.linkage = "internal"
        machine = llvm.Target.from_triple(llvm.get_process_triple()).create_target_machine(opt=2)
        _improve(whole, machine, for_this_machine=False)
        text = re.sub(r"(?m)^(target (triple|datalayout)|source_filename) = .*\n", "", str(whole))
        names: dict[str, str] = {}  # numba's count what it compiled before
        text = re.sub(
            r"_ZN[\w$.]+",
            lambda found: names.setdefault(found.group(), f"of_numba_{len(names)}"),
            text,
        )
        beyond = set(_called(text)) - OUTSIDE - symbols
        if beyond:
            raise RuntimeError(f"{self.source.name} calls {', '.join(sorted(beyond))}")
        packed = lzma.compress(f"{_head(self)}\n{text}".encode(), preset=9)
        Path(to or self.source.with_suffix(".ll.xz")).write_bytes(packed)


def _head(pieces: Pieces) -> str:
    import llvmlite.binding as llvm

    return f"; of source {pieces.state()} by LLVM {llvm.llvm_version_info[0]}"


def _called(text: str) -> list[str]:
    """Functions and variables that LLVM's text names and does not hold, LLVM's own aside."""
    found = re.findall(r'(?m)^declare [^@]*@"?([^\s("]+)', text)
    found += re.findall(r'(?m)^@"?([^\s="]+)"? = external ', text)
    return [name for name in found if not name.startswith("llvm.")]


def _this_machine() -> Any:
    """LLVM's description of this machine, as numba has it."""
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    target = llvm.Target.from_triple(llvm.get_process_triple())
    x86 = target.name.startswith("x86")
    return target.create_target_machine(
        cpu=llvm.get_host_cpu_name(), features=llvm.get_host_cpu_features().flatten(), opt=3,
        reloc="static" if x86 else "default", codemodel="jitdefault", jit=True,
    )  # fmt: skip


def _improve(module: Any, machine: Any, *, for_this_machine: bool) -> None:
    """Run LLVM's passes: those that suit any machine, or all of them."""
    import llvmlite.binding as llvm

    options = llvm.create_pipeline_tuning_options(3 if for_this_machine else 1)
    options.loop_vectorization = options.slp_vectorization = for_this_machine
    options.loop_unrolling = options.loop_interleaving = for_this_machine
    passes = llvm.create_pass_builder(machine, options)
    passes.getModulePassManager().run(module, passes)


def _machine_code(text: str, machine: Any) -> bytes:
    """This machine's code of LLVM's text, as an object file."""
    import llvmlite.binding as llvm

    module = llvm.parse_assembly(text)
    module.triple = llvm.get_process_triple()
    module.data_layout = str(machine.target_data)
    _improve(module, machine, for_this_machine=True)
    return machine.emit_object(module)


def _folders(source: Path) -> list[Path]:
    """Where code of a file may be kept, best first: where numba keeps its own."""
    import platformdirs

    asked = os.environ.get("NUMBA_CACHE_DIR")
    if asked:
        return [Path(asked)]
    return [source.parent / "__pycache__", platformdirs.user_cache_path("durability")]


def _kept(source: Path, name: str) -> bytes | None:
    """Machine code that was kept, if it is whole; None without."""
    for folder in _folders(source):
        with contextlib.suppress(OSError, ValueError):
            digest, code = (folder / name).read_bytes().split(b"\n", 1)
            if hashlib.sha256(code).hexdigest().encode() == digest:
                return code
    return None


def _keep(source: Path, name: str, code: bytes) -> None:
    """Write the code, its hash before it, to the first folder that can be written."""
    digest = hashlib.sha256(code).hexdigest().encode()
    for folder in _folders(source):
        part = folder / f"{name}.{os.getpid()}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            part.write_bytes(digest + b"\n" + code)
            part.replace(folder / name)
            return
        except OSError:
            with contextlib.suppress(OSError):
                part.unlink()


def main() -> None:
    """Ship the code of every module whose source has changed, each in a process of its own."""
    if sys.argv[1:]:
        importlib.import_module(sys.argv[1]).pieces.ship()
        return
    for name in SHIPPED:
        with tempfile.TemporaryDirectory() as empty:
            command = [sys.executable, "-m", "durability.machine_code", name]
            subprocess.run(
                command, env=os.environ | PORTABLE | {"NUMBA_CACHE_DIR": empty}, check=True
            )
        print(name)


if __name__ == "__main__":
    main()


__all__ = ["SHIPPED", "Piece", "Pieces", "compiled_and_kept"]
