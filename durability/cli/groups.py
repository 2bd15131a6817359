"""Which options does a command take? Its own, and those of the groups that its parameters name.

A group is a frozen dataclass whose fields are options. A parameter of its type becomes these
options, and the command gets what was said as one; ``Annotated[Fitting, without("level")]`` leaves
some at their defaults. --help shows each group under its heading, what is printed last.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from copy import copy
from dataclasses import dataclass, fields
from typing import Annotated, Any, ClassVar, get_args, get_origin, get_type_hints

from typer.core import TyperCommand
from typer.models import OptionInfo


class Group:
    """Options that several commands take, under one heading of --help."""

    heading: ClassVar[str] = ""


@dataclass(frozen=True, slots=True)
class _Without:
    names: tuple[str, ...]


def without(*names: str) -> _Without:
    """Marks a parameter whose command does not take these options of the group."""
    return _Without(names)


def grouped(command: Callable[..., None]) -> Callable[..., None]:
    """A command whose parameters that are groups become the options of these groups."""
    whole = inspect.signature(command, eval_str=True)
    parameters: list[inspect.Parameter] = []
    groups: dict[str, tuple[type[Any], list[str]]] = {}
    for p in whole.parameters.values():
        kind, left_out = _group(p.annotation)
        if kind is None:
            parameters.append(p.replace(kind=p.KEYWORD_ONLY))
            continue
        hints = get_type_hints(kind, include_extras=True)
        taken = [f for f in fields(kind) if f.name not in left_out]
        groups[p.name] = (kind, [f.name for f in taken])
        parameters += [
            inspect.Parameter(
                f.name, p.KEYWORD_ONLY, default=f.default,
                annotation=_under(kind.heading, hints[f.name]),
            )
            for f in taken
        ]  # fmt: skip

    @functools.wraps(command)
    def run(**given: Any) -> None:
        made = {
            name: kind(**{n: given.pop(n) for n in names if n in given})
            for name, (kind, names) in groups.items()
        }
        command(**given, **made)

    run.__signature__ = whole.replace(parameters=parameters)  # type: ignore[attr-defined]
    run.__annotations__ = {p.name: p.annotation for p in parameters}
    return run


def _group(annotation: Any) -> tuple[type[Any] | None, tuple[str, ...]]:
    """The group of a parameter, or None, and the options of it that are left out."""
    kind, *marks = get_args(annotation) if get_origin(annotation) is Annotated else (annotation,)
    if not (isinstance(kind, type) and issubclass(kind, Group)):
        return None, ()
    return kind, tuple(n for m in marks if isinstance(m, _Without) for n in m.names)


def _under(heading: str, hint: Any) -> Any:
    """The annotation of an option, which --help shows under a heading."""
    kind, info = get_args(hint)
    info: OptionInfo = copy(info)
    info.rich_help_panel = heading
    return Annotated[kind, info]


class Sectioned(TyperCommand):
    """A command whose --help shows its own options, then each group under its heading."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Arguments, the command's own options, then groups in the order of its parameters."""
        sections: dict[str, list[Any]] = {"Arguments": [], "Options": []}
        for param in self.get_params(ctx):
            record = param.get_help_record(ctx)
            own = "Arguments" if param.param_type_name == "argument" else "Options"
            heading = getattr(param, "rich_help_panel", None) or own
            if param.name == "help" and len(sections) > 2:  # stands at the end
                heading = list(sections)[-1]
            if record is not None:
                sections.setdefault(heading, []).append(record)
        for heading, rows in sections.items():
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)


__all__ = ["Group", "Sectioned", "grouped", "without"]
