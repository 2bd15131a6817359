"""What does a law file hold, key by key? Reads the file, collects every fault, raises them once."""

from __future__ import annotations

import difflib
import keyword
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from durability.laws.expression import FUNCTIONS

_LARGEST = 1e300


class LawError(ValueError):
    """A law file that cannot be used; says which file and everything that is wrong with it.

    ``faults`` lists them; ``column`` is that of a fault in a formula, counted from 1, or None.
    """

    def __init__(self, message: str, faults: Sequence[str] = (), column: int | None = None) -> None:
        super().__init__(message)
        self.faults = tuple(faults) or (message,)
        self.column = column

    @classmethod
    def of(cls, name: str, faults: Sequence[str], column: int | None = None) -> LawError:
        """An error that names the file and lists its faults."""
        lead = f"law file {name}.toml: "
        if len(faults) == 1:
            return cls(lead + faults[0], faults, column)
        return cls("\n".join([f"{lead}{len(faults)} faults", *(f"  {f}" for f in faults)]),
                   faults, column)  # fmt: skip


class Faults:
    """The faults of one file, gathered."""

    def __init__(self, name: str) -> None:
        self.name, self.found, self.column = name, [], None

    def add(self, fault: str, column: int | None = None) -> None:
        self.found.append(fault)
        self.column = self.column or column

    def unknown(self, table: Mapping[str, Any], known: Sequence[str], where: str = "") -> None:
        """Each key that is not known, with a near spelling."""
        for key in table:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                hint = f'did you mean "{near[0]}"?' if near else f"known: {', '.join(known)}"
                self.add(f'"{f"{where}." if where else ""}{key}" is not a key of this file; {hint}')

    def stop(self) -> None:
        """Raise them, if there are any."""
        if self.found:
            raise LawError.of(self.name, self.found, self.column)


def load(file: Path) -> dict[str, Any]:
    """The content of a law file."""
    try:
        with open(file, "rb") as stream:
            return tomllib.load(stream)
    except FileNotFoundError:
        raise LookupError(f"law file {file.name} does not exist") from None
    except OSError as error:
        raise LawError(f"law file {file.name} cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise LawError(f"law file {file.name}: {error}") from error


def text_of(
    table: Mapping[str, Any], key: str, faults: Faults, where: str = "", *, needed: bool = True
) -> str:
    """The text under a key; a fault where it is missing, blank or no text."""
    value = table.get(key)
    label = f'"{f"{where}." if where else ""}{key}"'
    if value is None and not needed:
        return ""
    if not isinstance(value, str):
        faults.add(f"{label} is missing or not text" if needed else f"{label} must be text")
        return ""
    if needed and not value.strip():
        faults.add(f"{label} is missing or not text")
    return value


def number_of(
    table: Mapping[str, Any], key: str, faults: Faults, where: str, *, positive: bool = False
) -> float | None:
    """The number under a key, or None; a positive one must be there."""
    value: Any = table.get(key)
    if value is None and not positive:
        return None
    lowest = 0 if positive else -_LARGEST
    # no float yet: an integer may be too long for one
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if number and lowest < value <= _LARGEST:  # type: ignore[operator]
        return float(value)  # type: ignore[arg-type]
    faults.add(f'"{where}.{key}" must be a number{" above 0" if positive else ""}')
    return None


def name_fault(name: str) -> str | None:
    """Why a formula could not use a name, or None."""
    if not (name.isascii() and name.isidentifier()) or keyword.iskeyword(name):
        return f"{name!r} is not a name: letters, digits and underscores, a letter first"
    if name.startswith("_"):
        return f"{name!r} begins with an underscore"
    if name in FUNCTIONS or name == "pi":
        return f"{name!r} is the name of a function or number of formulas; rename it"
    return None
