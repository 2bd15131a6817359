"""Where do the assumptions lie? Finds and reads the files of models/, in a clone or a wheel."""

from __future__ import annotations

import functools
import hashlib
import os
import tomllib
from pathlib import Path
from typing import Any


@functools.cache
def models_folder() -> Path:
    """The folder of models/: beside the package in a clone, inside it in a wheel.

    The environment variable DURABILITY_MODELS names a replacement.
    """
    named = os.environ.get("DURABILITY_MODELS")
    here = Path(__file__).resolve().parent
    for folder in ([Path(named)] if named else []) + [here / "models", here.parent / "models"]:
        if (folder / "laws").is_dir():
            return folder
    raise FileNotFoundError("the folder models/ is missing from this installation")


def names(kind: str) -> list[str]:
    """Names of the TOML files of one kind: laws, materials, lamps or sites, in order."""
    return sorted(p.stem for p in (models_folder() / kind).glob("*.toml"))


def path(kind: str, name: str) -> Path:
    """The file of one model; a LookupError names near spellings."""
    import difflib

    known = names(kind)
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
        hint = f'; did you mean "{near[0]}"?' if near else "."
        raise LookupError(f'{kind} has no "{name}"{hint} Known: {", ".join(known)}')
    return models_folder() / kind / f"{name}.toml"


def read(kind: str, name: str) -> dict[str, Any]:
    """The content of one model file as plain types."""
    with open(path(kind, name), "rb") as stream:
        return tomllib.load(stream)


def sha256(file: Path) -> str:
    """Hash of a file's bytes."""
    return hashlib.sha256(file.read_bytes()).hexdigest()
