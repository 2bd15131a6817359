"""What would the model have said without some of the strips, or with other priors? Fits again.

The left-out items stay in the model as cells without strips, so that lots, effects and curves keep
their names and places and the fit can be asked about them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.items import CENSORED, GROUP, LOOK, STRIP, WORD, Items, items_of
from durability.inference.fit import fit_model
from durability.inference.fitted import Fit
from durability.inference.model import Model

if TYPE_CHECKING:
    pass


def without(model: Model, left_out: np.ndarray, *, items: Items | None = None) -> Model:
    """The model of the same study without some of its items.

    Parameters
    ----------
    model : the whole model.
    left_out : (item,) bool.
    items : those of the model; found when left out.

    Returns
    -------
    Model with the same cells and parameters. The prior of the threshold dose is centred on the
    largest dose that is kept, as if the others had not been tested.
    """
    items = items or items_of(model)
    keep = ~left_out
    n_cell = model.cell_dose.size
    exact = model.extra[model.strip_cell] == 0
    stays = np.ones(model.strip_cell.size, dtype=bool)
    stays[np.flatnonzero(exact)] = keep[items.kind == STRIP]
    count, freedom, total = np.zeros(n_cell), np.zeros(n_cell), np.zeros(n_cell)
    own = keep & items.measured
    np.add.at(count, items.cell[own], items.n[own])
    np.add.at(freedom, items.cell[own], items.freedom[own])
    np.add.at(total, items.cell[own], (items.n * items.mean)[own])
    mean = np.divide(total, count, out=np.zeros(n_cell), where=count > 0)
    squares = np.zeros(n_cell)
    about = items.squares + items.n * (items.mean - mean[items.cell]) ** 2
    np.add.at(squares, items.cell[own], about[own])
    gone = np.isin(np.arange(n_cell), items.cell[left_out & (items.kind == GROUP)])
    stays &= ~(gone[model.strip_cell] & ~exact)
    extra = np.where(count > 0, model.extra, 0.0)

    censored = keep[items.kind == CENSORED]
    series_index = model.series_index.copy()
    edges = np.concatenate([[0], np.cumsum(censored)])
    series_index[:, 6:8] = edges[series_index[:, 6:8]]
    looks, words = keep[items.kind == LOOK], keep[items.kind == WORD]

    last, first = _doses(model, items, keep)
    main_prior = model.main_prior.copy()
    told = model.taught.products if model.taught else ()
    for c, (material, family) in enumerate(model.mains):
        if material in told:  # its prior is of earlier studies, not of the doses tested here
            continue
        inside = [d for (m, x), d in last.items() if m == material and model.families[x] == family]
        if inside and np.isfinite(main_prior[c, 0]):
            before = max(
                d for (m, x), d in model.last_dose.items()
                if m == material and model.families[x] == family
            )  # fmt: skip
            main_prior[c, 0] += np.log(max(inside) / before)
    changed: dict[str, Any] = {
        "count": count, "freedom": freedom, "mean": mean, "squares": squares, "extra": extra,
        "strip_cell": model.strip_cell[stays], "strip_value": model.strip_value[stays],
        "censored_index": model.censored_index[censored],
        "censored_limit": model.censored_limit[censored],
        "series_index": series_index,
        "inspected_index": model.inspected_index[looks],
        "inspected_number": model.inspected_number[looks],
        "declared_index": model.declared_index[words],
        "declared_number": model.declared_number[words],
        "main_prior": main_prior, "last_dose": last, "first_dose": first,
    }  # fmt: skip
    return replace(model, **changed)


def _doses(
    model: Model, items: Items, keep: np.ndarray
) -> tuple[dict[tuple[str, str], float], dict[tuple[str, str], float]]:
    last, first = {}, {}
    for material, exposure in model.last_dose:
        mine = (items.material == material) & (items.exposure == exposure) & (items.dose > 0)
        dose = items.dose[mine & keep]
        if not dose.size:  # nothing left there: as it was, the fit is not asked about it
            dose = items.dose[mine]
        last[(material, exposure)], first[(material, exposure)] = dose.max(), dose.min()
    return last, first


def refit_without(
    fit: Fit, left_out: np.ndarray, *, items: Items | None = None, seed: int | None = None
) -> Fit:
    """The fit of a study without some of its items; same law, settings and seed.

    Parameters
    ----------
    fit : of the whole study.
    left_out : (item,) bool, along `items_of(fit.model)`.
    """
    return fit_model(
        fit.study, without(fit.model, left_out, items=items),
        sampler=replace(fit.settings, draws=min(fit.settings.draws, 1000)),
        seed=fit.seed if seed is None else seed, level=fit.level,
    )  # fmt: skip
