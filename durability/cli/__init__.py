"""Commands at a terminal. Each is a thin line over the Python API; no statistics here."""

from importlib import import_module

from durability.cli.app import app

# in the order in which --help lists their commands
MODULES = (
    "starting", "checking", "laboratory", "laws", "modelling", "fitting", "foretelling", "days",
    "covering", "mapping", "measuring", "outdoors", "deciding", "strips_to_come", "reporting",
    "many", "quoting", "record", "opening",
)  # fmt: skip

for _module in MODULES:
    import_module(f"durability.cli.{_module}")

__all__ = ["MODULES", "app", "main"]


def main() -> None:
    """The entry point of the command."""
    app()
