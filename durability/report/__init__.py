"""How is it shown and kept? Reports, figures, tables and the results folder.

``durability.report(...)`` does the whole job; the room bears the name of its door, so that the
module itself can be called.
"""

import sys
import types
from typing import Any

from durability.report.printing import print_pdf
from durability.report.results import Results, ResultsFolderError, read_results, schema
from durability.report.run import (
    FitFailed,
    check_sites,
    fit_or_reuse,
    report,
    translations_of,
    unchanged_report,
)

__all__ = [
    "FitFailed",
    "Results",
    "ResultsFolderError",
    "check_sites",
    "fit_or_reuse",
    "print_pdf",
    "read_results",
    "report",
    "schema",
    "translations_of",
    "unchanged_report",
]


class _Callable(types.ModuleType):
    def __call__(self, *args: Any, **options: Any) -> Results:
        return report(*args, **options)


sys.modules[__name__].__class__ = _Callable
