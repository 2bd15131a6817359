"""How many digits of the certified nonlinear regression problems are found, and from where?

    uv run python benchmarks/certified.py [--out digits.md]

Problems, starts and certified values: NIST/ITL Statistical Reference Datasets (public domain); the
copies under tests/outside/data/nist name the files seen. From each published start alone, with the
start as first of a multi-start where that one fails alone, and from starts of our own (nothing is
given; ENSO's periods are bounded to be longer than two months, the sampling step allows no less).
Printed: the smallest number of agreeing digits of parameters, standard deviations and residual
sum of squares (11 at most, as certified); equivalent solutions are put in the certified order.
"""

from __future__ import annotations

import argparse
import csv
import json
import re
import time
from pathlib import Path

import numpy as np

from durability.inference.likelihood import CurveFit, fit_curve
from durability.laws import Parameter, read_curve

DATA = Path(__file__).parents[1] / "tests" / "outside" / "data" / "nist"
ALONE_FAILS = {"BoxBOD", "MGH17"}
"""Problems whose first published start, alone, leads elsewhere; there it is first of several."""


def problems() -> dict:
    """The certified problems by name."""
    return json.loads((DATA / "certified.json").read_text(encoding="utf-8"))["datasets"]


def table(name: str) -> dict[str, np.ndarray]:
    """Columns of a data file."""
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return {k: np.array([float(r[k]) for r in rows]) for k in rows[0]}


def solve(name: str, problem: dict, start: str | None) -> CurveFit:
    """Fit one problem from ``"start_1"``, ``"start_2"`` or None for starts of our own."""
    data = table(problem["file"])
    y = data.pop("y")
    if problem["response_transform"] == "log":
        y = np.log(y)
    text = problem["python_model"].split("=")[0].strip()
    text = re.sub(r"b\[(\d+)\]", r"b\1", text)
    periods = ("b4", "b7") if name == "ENSO" and start is None else ()
    parameters = [Parameter(p, lower=2.0) if p in periods else Parameter(p)
                  for p in problem["parameters"]]  # fmt: skip
    curve = read_curve(text, predictors=list(data), parameters=parameters)
    if start is None:
        return fit_curve(curve, data, y, starts=12)
    given = dict(zip(problem["parameters"], problem[start], strict=True))
    alone = start == "start_2" or name not in ALONE_FAILS
    return fit_curve(curve, data, y, start=given, starts=1 if alone else 12)


def in_certified_order(name: str, values: np.ndarray, errors: np.ndarray) -> tuple[np.ndarray, ...]:
    """Equivalent solutions (exchanged terms, signs that do not matter) as the certified one."""
    v, e = values.copy(), errors.copy()

    def arrange(terms: list[list[int]], key: int, reverse: bool = False) -> None:
        order = sorted(range(len(terms)), key=lambda i: v[terms[i][key]], reverse=reverse)
        source_v, source_e = v.copy(), e.copy()
        for place, i in zip(terms, order, strict=True):
            v[place], e[place] = source_v[terms[i]], source_e[terms[i]]

    if name.startswith("Lanczos"):
        arrange([[0, 1], [2, 3], [4, 5]], 1)
    elif name == "MGH17":
        arrange([[1, 3], [2, 4]], 1)
    elif name.startswith("Gauss"):
        v[[4, 7]] = abs(v[[4, 7]])
        arrange([[2, 3, 4], [5, 6, 7]], 1)
    elif name == "ENSO":
        arrange([[3, 4, 5], [6, 7, 8]], 0, reverse=True)
    elif name == "Eckerle4":
        v[:2] = abs(v[:2])
    return v, e


def digits(found: object, certified: object) -> float:
    """Smallest number of agreeing significant digits, 11 at most."""
    a, b = np.atleast_1d(found).astype(float), np.atleast_1d(certified).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        each = -np.log10(np.abs(a - b) / np.abs(b))
    return float(np.nan_to_num(np.clip(each, -9, 11), nan=-9).min())


def agreement(name: str, problem: dict, fit: CurveFit) -> tuple[float, float, float]:
    """Digits of parameters, standard deviations, residual sum of squares."""
    names = problem["parameters"]
    values = np.array([fit.estimates[p] for p in names])
    errors = np.array([fit.standard_errors[p] for p in names])
    values, errors = in_certified_order(name, values, errors)
    return (
        digits(values, problem["certified"]),
        digits(errors, problem["certified_standard_deviation"]),
        digits(fit.residual_squares, problem["residual_sum_of_squares"]),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=None, help="also write the table here")
    options = parser.parse_args()
    lines = ["| problem | start 1 | start 2 | own starts | seconds |", "|---|---|---|---|---|"]
    for name, problem in problems().items():
        cells, began = [], time.perf_counter()
        for start in ("start_1", "start_2", None):
            try:
                fit = solve(name, problem, start)
            except ValueError as error:
                cells.append(f"failed: {str(error)[:40]}")
                continue
            shown = " / ".join(f"{d:.1f}" for d in agreement(name, problem, fit))
            if start == "start_1" and name in ALONE_FAILS:
                shown += " (first of 12)"
            cells.append(shown)
        line = f"| {name} | {' | '.join(cells)} | {time.perf_counter() - began:.1f} |"
        lines.append(line)
        print(line, flush=True)
    if options.out is not None:
        options.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
