"""How does what a product is made of move its threshold dose? Lines in covariates.

    log threshold dose of a product ~ normal(common + coefficients @ terms, spread of products)

A covariate enters as its relative departure from the mean over products (linear), as the logarithm
of its ratio to the geometric mean (log; the coefficient is then a power), as a low-rank smooth
curve (a line and bends whose coefficients are small), or by class. Products scatter about the line,
so that two products never make a slope certain.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.model import Column, Form, Structure, priors

if TYPE_CHECKING:
    from durability.study import Study

FORMS: tuple[Form, ...] = ("linear", "log", "smooth", "class")
FEWEST_PRODUCTS = 4  # for a line that nobody asked for
FEWEST_VALUES = 3
BENDS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """Columns of the prior mean of main effects, and their rows.

    Parameters
    ----------
    columns : a common level of each family of exposures, then coefficients of covariates.
    rows : (n_main, n_column)
    notes : what could not be used or told apart, in words.
    covariates : (name, form) used.
    """

    columns: tuple[Column, ...]
    rows: np.ndarray
    notes: tuple[str, ...]
    covariates: tuple[tuple[str, Form], ...]


def line_of(
    study: Study, materials: Sequence[str], mains: Sequence[tuple[str, str]], structure: Structure
) -> Line | None:
    """The line of products, or None where they are not pooled.

    Raises
    ------
    StudyError : a covariate asked for that a product lacks, or that does not fit its form.
    """
    values = {m: study.materials[m].covariates for m in materials if any(k[0] == m for k in mains)}
    notes: list[str] = []
    if structure.covariates is None:
        asked = _that_suggest_themselves(values, notes)
        if not asked and not structure.pool:
            return None
    else:
        asked = structure.covariates
        if not asked and not structure.pool:
            return None
        _refuse_unusable(values, asked)
    products = list(values)
    families = list(dict.fromkeys(f for _, f in mains))
    sd = priors()["threshold_dose"]["sd_log"]
    columns = [Column(name="pooled", subject=f, mean=0.0, sd=sd) for f in families]
    rows = np.zeros((len(mains), len(families)))
    for i, (_, family) in enumerate(mains):
        rows[i, families.index(family)] = 1.0
    blocks: list[tuple[str, np.ndarray]] = []
    for name, form in asked:
        x = np.array([values[m][name] for m in products])
        block = terms(form, x, x)
        prior = priors()["covariate"]
        for j, label in enumerate(_labels(name, form, x)):
            wide = prior["class_sd"] if form == "class" else prior["sd"]
            bend = form == "smooth" and j > 0
            columns.append(
                Column(
                    name="covariate",
                    subject=label,
                    mean=0.0,
                    sd=prior["bend_sd"] if bend else wide,
                )
            )
        blocks.append((name, block))
        at = [products.index(m) for m, _ in mains]
        rows = np.column_stack([rows, block[at]])
    notes += _aliased(blocks)
    return Line(columns=tuple(columns), rows=rows, notes=tuple(notes), covariates=tuple(asked))


def terms(form: Form, x: np.ndarray, at: Any) -> np.ndarray:
    """The terms of a covariate at values `at`, as products with values `x` define them.

    Parameters
    ----------
    form : of `FORMS`.
    x : (product,)
    at : (point,)

    Returns
    -------
    ndarray (point, term)

    Examples
    --------
    >>> terms("log", np.array([1.0, 4.0]), [4.0]).round(3)
    array([[0.693]])
    """
    at = np.atleast_1d(np.asarray(at, dtype=float))
    if form == "log":
        return (np.log(at) - np.log(x).mean())[:, None]
    if form == "class":
        return (at[:, None] == np.unique(x)[None, :]).astype(float)
    size = float(np.abs(x).mean()) or 1.0
    straight = ((at - x.mean()) / size)[:, None]
    if form == "linear":
        return straight
    knots = np.quantile(np.unique(x), np.arange(1, BENDS + 1) / (BENDS + 1))

    def bends(v: np.ndarray) -> np.ndarray:
        return np.abs((v[:, None] - knots) / size) ** 3

    plain = np.column_stack([np.ones(x.size), x])
    raw = bends(x)
    taken = np.linalg.lstsq(plain, raw, rcond=None)[0]
    left = raw - plain @ taken
    width = np.sqrt((left**2).mean(axis=0))
    curved = (bends(at) - np.column_stack([np.ones(at.size), at]) @ taken) / np.where(
        width > 1e-12, width, 1.0
    )
    return np.column_stack([straight, curved])


def _labels(name: str, form: Form, x: np.ndarray) -> list[str]:
    if form == "class":
        return [f"{name} {v:g}" for v in np.unique(x)]
    if form == "smooth":
        return [name, *(f"{name}, bend {i + 1}" for i in range(BENDS))]
    return [f"log {name}" if form == "log" else name]


def _that_suggest_themselves(
    values: Mapping[str, Mapping[str, float]], notes: list[str]
) -> tuple[tuple[str, Form], ...]:
    """Covariates that every product has, with enough values over enough products."""
    n = len(values)
    names = list(dict.fromkeys(name for of in values.values() for name in of))
    chosen: list[tuple[str, Form]] = []
    if n < FEWEST_PRODUCTS:
        return ()
    blocks = [np.ones((n, 1))]
    for name in names:
        if not all(name in of for of in values.values()):
            notes.append(f"covariate {name} is not used: not every product has it")
            continue
        x = np.array([of[name] for of in values.values()])
        if np.unique(x).size < FEWEST_VALUES:
            notes.append(f"covariate {name} is not used: it takes fewer than three values")
            continue
        form: Form = "log" if x.min() > 0 and x.max() >= 3 * x.min() else "linear"
        block = terms(form, x, x)
        if np.linalg.matrix_rank(np.column_stack([*blocks, block]), tol=1e-6) == len(blocks):
            notes.append(f"covariate {name} is not used: the others already tell it")
            continue
        if n < len(chosen) + FEWEST_PRODUCTS:
            notes.append(f"covariate {name} is not used: too few products for one more")
            continue
        blocks.append(block)
        chosen.append((name, form))
    return tuple(chosen)


def _refuse_unusable(
    values: Mapping[str, Mapping[str, float]], asked: Sequence[tuple[str, Form]]
) -> None:
    from durability.study import Problem, StudyError

    problems = []
    for name, form in asked:
        if form not in FORMS:
            raise ValueError(f'form "{form}" of {name} is unknown; known: {", ".join(FORMS)}')
        known = sorted({n for of in values.values() for n in of})
        for material, of in values.items():
            key = f"materials.{material}.covariates.{name}"
            if name not in of:
                problems.append(
                    Problem(
                        file="study.toml",
                        column=key,
                        expected=f"a value of {name} for every product"
                        f" (the study has: {', '.join(known) or 'no covariates'})",
                        mend=f"Write {name} under [materials.{material}.covariates].",
                    )
                )
            elif form == "log" and of[name] <= 0:
                problems.append(
                    Problem(
                        file="study.toml",
                        column=key,
                        found=f"{of[name]:g}",
                        expected="a value above 0, since its logarithm is used",
                        mend=f"Ask for {name} in the form linear.",
                    )
                )
        distinct = len({of[name] for of in values.values() if name in of})
        fewest = BENDS + 2 if form == "smooth" else 2
        if not problems and distinct < fewest:
            problems.append(
                Problem(
                    file="study.toml",
                    column=f"materials.*.covariates.{name}",
                    found=f"{distinct} different values",
                    expected=f"at least {fewest} over the products, to ask for it as {form}",
                    mend=f"Leave {name} out.",
                )
            )
    if problems:
        raise StudyError(problems)


def _aliased(blocks: Sequence[tuple[str, np.ndarray]]) -> list[str]:
    """Words on covariates that the products do not tell apart."""
    found = []
    before: list[tuple[str, np.ndarray]] = []
    for name, block in blocks:
        centred = block - block.mean(axis=0)
        basis = [b - b.mean(axis=0) for _, b in before]
        size = math.sqrt(float((centred**2).sum()))
        if basis and size > 0:
            other = np.column_stack(basis)
            left = centred - other @ np.linalg.lstsq(other, centred, rcond=None)[0]
            if math.sqrt(float((left**2).sum())) < 0.05 * size:
                names = " and ".join(n for n, _ in before)
                found.append(
                    f"covariates {names} and {name} vary together over the products: their"
                    " coefficients are told apart by their priors alone"
                )
        before.append((name, block))
    return found
