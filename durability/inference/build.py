"""Which statistical model do these data call for? Reads the study's own columns.

Lots are partially pooled where a product has several; laboratories, runs and repeatedly read
specimens where the study has several; directions are a contrast, and each lot has its own where
several lots were tested in both; the clocks of the exposures enter by `durability.inference.clock`,
covariates by `durability.inference.covariates`. A product with one lot keeps the prior of the
spread between lots.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.exposure import with_doses
from durability.inference.aliased import aliased_groups
from durability.inference.cell_data import WEAK, bluntness, declarations, inspections, sufficient
from durability.inference.cells import lay_cells, lit_cells
from durability.inference.clock import clock_of
from durability.inference.covariates import line_of
from durability.inference.group_effects import effects_on_dose, effects_on_strength, own_effects
from durability.inference.items import PRODUCT, Items, items_of, refuse_unusable
from durability.inference.model import ON_LOGS, Column, Errors, Model, Structure, priors
from durability.laws import Law

if TYPE_CHECKING:
    from durability.study import Study


def _codes(keys: list[Any]) -> tuple[list[Any], dict[Any, int]]:
    order = list(dict.fromkeys(keys))
    return order, {key: i for i, key in enumerate(order)}


def build_model(
    study: Study, law: Law, *, errors: Errors | None = None, structure: Structure | None = None
) -> Model:
    """The model of a study.

    Parameters
    ----------
    study : the study, read; doses are filled here.
    law : the degradation law.
    errors : ``"lognormal"`` (constant relative scatter), ``"normal"`` (constant scatter, as a share
        of the mean unexposed strength), ``"power"`` (that share times a power of what is left) or
        ``"student"`` (as lognormal, with long tails); as study.toml says by default.
    structure : what is asked of the model beyond what the data call for; what study.toml asks
        under [model] by default.

    Returns
    -------
    Model

    Raises
    ------
    ValueError : normal errors, or a power of the mean, for a property that rises.
    """
    structure = structure or Structure.asked(study)
    errors = errors or study.choices.errors
    rises = study.changes == "rises"
    if rises and errors not in ON_LOGS:
        raise ValueError("a property that rises is fitted with lognormal or student errors only")
    items = items_of(with_doses(study))
    n_item = len(items)
    kind, dose, lit = items.kind, items.dose, items.dose > 0
    book, percent = priors(), study.unit == "%"
    sign = -1.0 if rises else 1.0

    materials = [m for m in study.materials if m in set(items.text["material"])]
    laboratories = sorted(set(items.text["laboratory"]) - {""})
    if len(laboratories) < 2:
        items.text["laboratory"] = np.full(n_item, "")
    if len(set(items.text["run"]) - {""}) < 2:
        items.text["run"] = np.full(n_item, "")

    # series: material, lot, direction, laboratory; those of one material together
    row_series = [items.key(i, "material", "lot", "direction", "laboratory") for i in range(n_item)]
    order = sorted(set(row_series), key=lambda k: (materials.index(k[0]), k[1:]))
    series, series_code = _codes(order)
    clock = clock_of(study, materials, series, items.text["exposure"], dose)
    families = clock.families
    s_row = np.array([series_code[k] for k in row_series], dtype=int)

    every_lot = list(dict.fromkeys((m, lot) for m, lot, _, _ in series if lot != PRODUCT))
    measured_kind = np.isin(kind, ("strip", "summary", "reading"))
    refuse_unusable(items, measured_kind, errors)
    one_lot = {m for m in materials if sum(k[0] == m for k in every_lot) <= 1}
    # a word on the product beside strips of one lot keeps the lot's effect apart
    single = {m for m in one_lot if not any(k[:2] == (m, PRODUCT) for k in series)}
    mains, main_code = _codes(
        sorted(
            {
                (items.text["material"][i], families[items.text["exposure"][i]])
                for i in np.flatnonzero(lit & np.isfinite(dose))
            },
            key=lambda k: (materials.index(k[0]), list(families.values()).index(k[1])),
        )
    )
    # a start is needed where strengths, not fractions alone, were found
    absolute = measured_kind | (kind == "declared") & np.isfinite(items.value)
    absolute |= np.isin(kind, ("low", "high")) & np.isnan(items.note)
    start_keys = [(row_series[i][0], row_series[i][2]) for i in range(n_item) if absolute[i]]
    start_keys = sorted(set(start_keys), key=lambda k: order.index(next(
        o for o in order if (o[0], o[2]) == k)))  # fmt: skip
    starts, start_code = _codes(start_keys)
    line = line_of(study, materials, mains, structure)
    if line is not None:  # every lot keeps its effect: the product's level is not the lot's
        single = set()
    found = effects_on_dose(items, series, mains, single, one_lot)
    groups = found.groups
    own_slot, own_effect = own_effects(found, materials, law, structure)
    shared = effects_on_strength(found, series, starts, percent)
    apart = np.full(len(series), -1, dtype=np.int64)
    if errors == "student" and not percent:  # no closed integral over unexposed strengths
        for i in sorted(set(s_row[measured_kind].tolist())):
            place = len(mains) + starts.index((series[i][0], series[i][2]))
            name = " ".join(filter(None, series[i])).replace(PRODUCT, "")
            apart[i] = found.add("start", series[i], name, place)
    effects, effect_index, effect_code = found.finished()
    columns = tuple(clock.columns)

    exposures = list(study.exposures)
    cells = lay_cells(items, s_row, exposures)
    cell_row, n_cell = cells.of_row, cells.series.size
    c_series, c_dose = cells.series, cells.dose

    use = measured_kind & (items.censored == 0)
    statistics = sufficient(items, use, cell_row, n_cell, errors, sign)
    count, freedom, mean, squares, extra, value = statistics
    if errors in ON_LOGS and not rises:
        blunt = bluntness(items, use, s_row, percent)
        extra += np.divide(
            np.bincount(cell_row[use], blunt[use], n_cell), count, out=np.zeros(n_cell),
            where=count > 0,
        ) ** 2  # the same error of all strips of a cell  # fmt: skip
        weak = int((blunt > 0).sum())
    else:
        weak = 0

    blur = np.flatnonzero(cells.blurred)
    columns = (*columns, *(
        Column(
            name="dose_read_off", subject=f"{items.text['material'][i]} at {dose[i]:g}", mean=0.0,
            sd=float(items.dose_sd[i] / dose[i]),
        )
        for i in blur
    ))  # fmt: skip
    first_of_line = len(columns)
    columns = (*columns, *(line.columns if line is not None else ()))
    exposed = lit_cells(cells, clock, series, materials, main_code, len(columns))
    for j, i in enumerate(blur, start=first_of_line - blur.size):
        exposed.design[cell_row[i], j] = -1.0
    cell_effect = np.full((n_cell, len(groups)), -1, dtype=np.int64)
    for g in range(n_cell):
        material, lot, direction, laboratory = series[c_series[g]]
        for f, group in enumerate(groups):
            name = {
                "lot": (material, lot),
                "laboratory": laboratory,
                "run": cells.run[g],
                "specimen": (series[c_series[g]], cells.specimen[g]),
                "direction_of_lot": (material, lot, direction),
            }[group]
            cell_effect[g, f] = effect_code.get((group, name), -1)

    edges, first_read, sub_range, sub_series = cells.ranges(len(series))
    censored = np.flatnonzero(measured_kind & (items.censored != 0))
    censored = censored[np.argsort(s_row[censored], kind="stable")]
    limit = items.value[censored]
    series_index = np.zeros((len(series), 10), dtype=np.int64)
    series_index[:, 8], series_index[:, 9] = shared, apart
    for i, (m, _, d, _) in enumerate(series):
        series_index[i, 0], series_index[i, 1] = materials.index(m), start_code.get((m, d), -1)
        series_index[i, 2], series_index[i, 3] = edges[i], first_read[i]
        series_index[i, 4:6] = np.searchsorted(sub_series, [i, i + 1])
        series_index[i, 6:8] = np.searchsorted(s_row[censored], [i, i + 1])
        if not measured_kind[s_row == i].any():
            series_index[i, 1] = -1

    reading = kind == "reading"
    with_readings = [m for m in materials if (reading & (items.text["material"] == m)).any()]
    reading_index = np.array(
        [with_readings.index(m) if m in with_readings else -1 for m in materials], dtype=np.int64
    )
    main_prior = np.array(
        [[exposed.largest[k], book["threshold_dose"]["sd_log"]] for k in mains]
    ).reshape(-1, 2)
    full_line = np.zeros((0, 0))
    if line is not None:  # one centre a family of exposures
        for family in {f for _, f in mains}:
            of = np.array([k[1] == family for k in mains])
            main_prior[of, 0] = main_prior[of, 0].mean()
        full_line = np.column_stack([np.zeros((len(mains), first_of_line)), line.rows])
    start_prior = _starts(items, starts, row_series, use, value, errors, sign)
    inspected = inspections(items, cell_row, start_code, study, errors, sign)
    declared = declarations(items, cell_row, start_code, sign)
    asked = study.thresholds[0] if study.thresholds else (2.0 if rises else 0.5)
    fraction = min(max(1 / asked if rises else asked, 0.2), 0.9)
    flags = {
        m: _flags(study, m, m in one_lot, c_dose, c_series, series, count, items) for m in materials
    }
    anchor = _anchors(materials, series, c_series, c_dose, mean, count, cell_row[censored],
                      sign * np.log(np.maximum(limit, 1e-12)), errors)  # fmt: skip
    bow_end = np.cumsum([len(b) for b in exposed.bows], dtype=np.int64)
    flat = [b for of in exposed.bows for b in of]
    return Model(
        law=law,
        errors=errors,
        rises=rises,
        fraction=fraction,
        materials=tuple(materials),
        mains=tuple(mains),
        main_product=np.array([materials.index(m) for m, _ in mains], dtype=np.int64),
        # products that are pooled are so at the fraction asked
        anchor=anchor if line is None else np.full(len(materials), fraction),
        starts=tuple(starts),
        structure=structure,
        groups=tuple(groups),
        others=tuple(found.others),
        effects=effects,
        effect_index=effect_index,
        own_slot=own_slot,
        own_effect=own_effect,
        line=full_line,
        lots=tuple(k for k in every_lot if k[0] not in single),
        single_lot=np.array([m in single for m in materials], dtype=np.int64),
        reading_index=reading_index,
        series=tuple(series),
        columns=columns,
        families=families,
        main_prior=main_prior,
        start_prior=start_prior,
        start_known=sign * math.log(100.0) if percent else None,
        series_index=series_index,
        sub_range=sub_range,
        cell_index=exposed.index,
        cell_effect=cell_effect,
        cell_exposure=cells.exposure,
        cell_dose=c_dose,
        log_dose=exposed.log_dose,
        count=count,
        freedom=freedom,
        mean=mean,
        squares=squares,
        extra=extra,
        design=exposed.design,
        bow_range=np.column_stack([np.append(0, bow_end[:-1])[: bow_end.size], bow_end]),
        bow_index=np.array([b[:2] for b in flat], dtype=np.int64).reshape(-1, 2),
        bow=np.array([b[2] for b in flat], dtype=float),
        strip_cell=cell_row[use & (kind == "strip")],
        strip_value=value[use & (kind == "strip")],
        censored_index=np.column_stack(
            [cell_row[censored], sign * items.censored[censored]]
        ).astype(np.int64).reshape(-1, 2),
        censored_limit=sign * np.log(limit) if errors in ON_LOGS else limit,
        inspected_index=inspected[0],
        inspected_number=inspected[1],
        declared_index=declared[0],
        declared_number=declared[1],
        conditions=exposed.conditions,
        condition_bows=exposed.bent,
        last_dose=exposed.last,
        first_dose=exposed.first,
        flags=flags,
        notes=(
            *(line.notes if line is not None else ()),
            *([WEAK.format(weak, 100 * book["nothing_left"]["share"])] if weak else []),
            *aliased_groups(items.text, lit),
        ),
    )  # fmt: skip


def _starts(
    items: Items,
    starts: list[tuple[str, str]],
    row_series: list[tuple[str, ...]],
    use: np.ndarray,
    value: np.ndarray,
    errors: Errors,
    sign: float,
) -> np.ndarray:
    """Prior of the log unexposed strength: centred on the least exposed strips of the product.

    Without a measured strip, on the limits of censored ones or on what is declared or required.
    """
    sd = priors()["unexposed_strength"]["sd_log"]
    rows = []
    for material, direction in starts:
        mine = np.array([(k[0], k[2]) == (material, direction) for k in row_series])
        seen = mine & use & np.isfinite(value)
        if seen.any():
            lowest = seen & (items.dose == items.dose[seen].min())
            centre = float(np.average(value[lowest], weights=items.weight[lowest]))
            rows.append([centre if errors in ON_LOGS else math.log(centre), sd])
            continue
        known = items.value[mine & np.isfinite(items.value)]
        rows.append([sign * math.log(known.mean()) if known.size else 0.0, 2 * sd])
    return np.array(rows, dtype=float).reshape(-1, 2)


def _anchors(
    materials: list[str],
    series: list[tuple[str, ...]],
    c_series: np.ndarray,
    c_dose: np.ndarray,
    mean: np.ndarray,
    count: np.ndarray,
    censored_cell: np.ndarray,
    log_limit: np.ndarray,
    errors: Errors,
) -> np.ndarray:
    """The median share that each product has left after exposure, between 0.3 and 0.7.

    A cell without a measured strip counts with the limit of its censored ones.
    """
    level = mean if errors in ON_LOGS else np.log(np.maximum(mean, 1e-12))
    unseen = np.isin(censored_cell, np.flatnonzero(count == 0))
    level, seen = level.copy(), count > 0
    level[censored_cell[unseen]], seen[censored_cell[unseen]] = log_limit[unseen], True
    left: dict[str, list[float]] = {m: [] for m in materials}
    for i, (material, *_) in enumerate(series):
        mine = (c_series == i) & seen
        if mine.any():
            first = level[mine & (c_dose == c_dose[mine].min())].mean()
            left[material] += list(level[mine & (c_dose > 0)] - first)
    share = [math.exp(float(np.median(left[m]))) if left[m] else 0.5 for m in materials]
    return np.clip(share, 0.3, 0.7)


def _flags(
    study: Study,
    material: str,
    one_lot: bool,
    c_dose: np.ndarray,
    c_series: np.ndarray,
    series: list[tuple[str, ...]],
    count: np.ndarray,
    items: Items,
) -> tuple[str, ...]:
    """What the answers for one material lean on that a reader must know."""
    inside = np.isin(c_series, [i for i, k in enumerate(series) if k[0] == material])
    mine = items.text["material"] == material
    kind = items.kind
    found = mine & ~np.isin(kind, ("low", "high", "declared"))
    percent = study.unit == "%"
    bare = mine & (kind == "summary") & ~np.isfinite(items.sd)
    seen = {
        "declared_only": bool(mine.any()) and set(kind[mine]) == {"declared"},
        "declared_values": (kind[mine] == "declared").any() and bool(found.any()),
        "inspected_only": bool(mine.any()) and set(kind[mine]) <= {"low", "high"},
        "no_unexposed_strips": bool(found.any())
        and not percent
        and not (c_dose[inside & (count > 0)] == 0).any(),
        "one_dose_level": np.unique(c_dose[inside & (c_dose > 0)]).size == 1,
        "one_lot": one_lot,
        "unexposed_error_unknown": percent,
        "spread_not_given": bool(bare.any()),
        "all_censored": bool(found.any()) and not (count[inside] > 0).any(),
        "read_off_a_figure": bool((mine & ((items.dose_sd > 0) | (items.value_sd > 0))).any()),
        "rises": study.changes == "rises",
    }
    return tuple(name for name, holds in seen.items() if holds)
