"""Which statistical model do these data call for? Reads the study's own columns.

Lots are partially pooled where a product has several; laboratories, runs and repeatedly read
specimens where the study has several; directions are a contrast, and each lot has its own where
several lots were tested in both; the clocks of the exposures enter by `durability.inference.clock`,
covariates by `durability.inference.covariates`. A product with one lot keeps the prior of the
spread between lots.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.exposure import with_doses
from durability.inference.aliased import aliased_groups
from durability.inference.clock import Bow, clock_of
from durability.inference.covariates import line_of
from durability.inference.model import ON_LOGS, Column, Errors, Model, Structure, priors
from durability.laws import Law

if TYPE_CHECKING:
    import xarray

    from durability.study import Study

PRODUCT = "\x1f"  # stands for the lot where a data sheet speaks of the product, not of a lot
_LABELS = ("material", "lot", "direction", "exposure", "laboratory", "run", "specimen", "file")


@dataclass(slots=True, kw_only=True, eq=False)
class _Items:
    """Everything that was found, one entry a strip, summary, reading, look or declaration.

    `kind` is strip, summary, reading, low or high (the two looks of an inspection), declared.
    """

    kind: np.ndarray
    text: dict[str, np.ndarray]
    dose: np.ndarray
    dose_sd: np.ndarray
    value: np.ndarray
    value_sd: np.ndarray
    sd: np.ndarray
    n: np.ndarray
    censored: np.ndarray
    note: np.ndarray  # fraction of an inspection, retained fraction of a declaration
    sense: np.ndarray
    line: np.ndarray

    def __len__(self) -> int:
        return self.dose.size

    def key(self, i: Any, *names: str) -> tuple[str, ...]:
        return tuple(str(self.text[name][i]) for name in names)


def _column(table: xarray.Dataset, name: str, default: Any) -> np.ndarray:
    size = next(iter(table.sizes.values()))
    if name not in table:
        return np.full(size, default)
    values = table[name].values
    return values.astype(str) if isinstance(default, str) else values.astype(float)


def _items(study: Study) -> _Items:
    """All kinds of data of a study whose doses are filled, unused ones left out."""
    nan = float("nan")
    parts: list[dict[str, np.ndarray]] = []

    def take(table: xarray.Dataset | None, kind: Any, **names: str) -> None:
        if table is None or not next(iter(table.sizes.values())):
            return
        size = next(iter(table.sizes.values()))
        used = table["used"].values.astype(bool) if "used" in table else np.ones(size, dtype=bool)
        controls = [x.name for x in study.exposures.values() if x.control is not None]
        dose = _column(table, names.get("dose", "dose"), nan)
        used &= ~(np.isin(_column(table, "exposure", ""), controls) & (dose > 0))
        part = {name: _column(table, name, "") for name in _LABELS}
        part["sense"] = _column(table, "sense", "")
        for name, default in (
            ("dose", nan), ("dose_sd", nan), ("value", nan), ("value_sd", nan), ("sd", nan),
            ("n", 1.0), ("censored", 0.0), ("note", nan), ("line", 0.0),
        ):  # fmt: skip
            part[name] = _column(table, names.get(name, name), default)
        part["kind"] = np.where(table["summary"].values, "summary", kind) if "summary" in table \
            else np.full(size, kind)  # fmt: skip
        parts.append({name: values[used] for name, values in part.items()})

    take(study.rows, "strip", value="strength")
    take(study.readings, "reading")
    take(study.inspections, "low", dose="dose_low", note="fraction")
    take(study.inspections, "high", dose="dose_high", note="fraction")
    take(study.declared, "declared", value="strength", note="retained")
    keys = parts[0].keys() if parts else (
        *_LABELS, "sense", "kind", "dose", "dose_sd", "value", "value_sd", "sd", "n", "censored",
        "note", "line",
    )  # fmt: skip
    whole = {k: np.concatenate([p[k] for p in parts]) if parts else np.array([]) for k in keys}
    if study.unit == "%":  # a declared percentage is a retained fraction
        said = (whole["kind"] == "declared") & np.isnan(whole["note"])
        whole["note"] = np.where(said, whole["value"] / 100, whole["note"])
        whole["value"] = np.where(whole["kind"] == "declared", nan, whole["value"])
    low, high = np.flatnonzero(whole["kind"] == "low"), np.flatnonzero(whole["kind"] == "high")
    same = whole["dose"][low] == whole["dose"][high]  # seen as it happened: within half a percent
    whole["dose"][low[same]] *= 0.995
    whole["dose"][high[same]] *= 1.005
    text = {name: whole.pop(name) for name in _LABELS}
    lit = whole["dose"] > 0
    text["exposure"] = np.where(lit, text["exposure"], "")
    text["run"] = np.where(lit, text["run"], "")
    of_product = (whole["kind"] == "declared") & (text["lot"] == "")
    text["lot"] = np.where(of_product, PRODUCT, text["lot"])
    return _Items(text=text, **whole)


def _codes(keys: list[Any]) -> tuple[list[Any], dict[Any, int]]:
    order = list(dict.fromkeys(keys))
    return order, {key: i for i, key in enumerate(order)}


def build_model(
    study: Study, law: Law, *, errors: Errors = "lognormal", structure: Structure | None = None
) -> Model:
    """The model of a study.

    Parameters
    ----------
    study : the study, read; doses are filled here.
    law : the degradation law.
    errors : ``"lognormal"`` (constant relative scatter), ``"normal"`` (constant scatter, as a share
        of the mean unexposed strength), ``"power"`` (that share times a power of what is left) or
        ``"student"`` (as lognormal, with long tails).
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
    rises = study.changes == "rises"
    if rises and errors not in ON_LOGS:
        raise ValueError("a property that rises is fitted with lognormal or student errors only")
    items = _items(with_doses(study))
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
    _refuse_unusable(items, measured_kind, errors)
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
    found = _effects(items, series, mains, single, one_lot)
    groups = found.groups
    own_slot, own_effect = _own(found, materials, law, structure)
    shared = _lot_strengths(found, series, starts, percent)
    apart = np.full(len(series), -1, dtype=np.int64)
    if errors == "student" and not percent:  # no closed integral over unexposed strengths
        for i in sorted(set(s_row[measured_kind].tolist())):
            place = len(mains) + starts.index((series[i][0], series[i][2]))
            name = " ".join(filter(None, series[i])).replace(PRODUCT, "")
            apart[i] = found.add("start", series[i], name, place)
    effects, effect_index, effect_code = found.finished()
    columns = tuple(clock.columns)

    # cells: series, then the specimen that was read, exposure, dose and run
    exposures = list(study.exposures)
    x_row = np.array([exposures.index(x) if x else -1 for x in items.text["exposure"]], dtype=int)
    reading = kind == "reading"
    specimen = np.where(reading, items.text["specimen"], "")
    beyond = ~np.isfinite(dose)  # a crossing not seen yet has no second look
    blurred = lit & (items.dose_sd > 0)
    place = np.where(blurred, np.arange(n_item), -1)  # a place read off a figure is its own cell
    keys = np.rec.fromarrays(
        [s_row, reading, specimen, lit, x_row, np.where(beyond, 0.0, dose), items.text["run"],
         place, beyond]
    )  # fmt: skip
    unique, cell_row = np.unique(keys, return_inverse=True)
    cell_row = cell_row.ravel()
    live = ~unique["f8"]
    renumber = np.cumsum(live) - 1
    cell_row = np.where(live[cell_row], renumber[cell_row], -1)
    unique = unique[live]
    n_cell = unique.size
    c_series, c_exposure, c_dose = unique["f0"], unique["f4"], unique["f5"].astype(float)
    any_row = np.zeros(n_cell, dtype=int)
    any_row[cell_row[cell_row >= 0]] = np.flatnonzero(cell_row >= 0)

    use = measured_kind & (items.censored == 0)
    statistics = _sufficient(items, use, cell_row, n_cell, errors, sign)
    count, freedom, mean, squares, extra, value = statistics

    blur = np.flatnonzero(np.isin(np.arange(n_item), place))
    columns = (*columns, *(
        Column(
            name="dose_read_off", subject=f"{items.text['material'][i]} at {dose[i]:g}", mean=0.0,
            sd=float(items.dose_sd[i] / dose[i]),
        )
        for i in blur
    ))  # fmt: skip
    first_of_line = len(columns)
    columns = (*columns, *(line.columns if line is not None else ()))
    cell_index = np.zeros((n_cell, 2), dtype=np.int64)
    cell_effect = np.full((n_cell, len(groups)), -1, dtype=np.int64)
    log_dose = np.full(n_cell, -np.inf)
    design = np.zeros((n_cell, len(columns)))
    conditions: dict[tuple[str, str, str], tuple[float, np.ndarray]] = {}
    last_dose: dict[tuple[str, str], float] = {}
    first_dose: dict[tuple[str, str], float] = {}
    bows: list[list[Bow]] = []
    bent_conditions: dict[tuple[str, str, str], tuple[Bow, ...]] = {}
    largest = {k: -math.inf for k in mains}  # log dose
    for g in range(n_cell):
        material, lot, direction, laboratory = series[c_series[g]]
        cell_index[g, 0] = materials.index(material)
        bows.append([])
        for f, group in enumerate(groups):
            name = {
                "lot": (material, lot),
                "laboratory": laboratory,
                "run": str(unique["f6"][g]),
                "specimen": (series[c_series[g]], str(unique["f2"][g])),
                "direction_of_lot": (material, lot, direction),
            }[group]
            cell_effect[g, f] = effect_code.get((group, name), -1)
        if c_dose[g] > 0:
            x = exposures[c_exposure[g]]
            cell_index[g, 1] = main_code[(material, families[x])]
            log_dose[g], entries, bent = clock.dose(material, direction, x, float(c_dose[g]))
            bows[g] = bent
            for j, coefficient in entries.items():
                design[g, j] = coefficient
            offset = log_dose[g] - math.log(c_dose[g])
            factor = clock.is_a_factor(material, x)
            if factor:
                conditions[(material, direction, x)] = (offset, design[g].copy())
                bent_conditions[(material, direction, x)] = tuple(bent)
            k = mains[cell_index[g, 1]]
            largest[k] = max(largest[k], math.log(c_dose[g]) if factor else log_dose[g])
            last_dose[(material, x)] = max(c_dose[g], last_dose.get((material, x), 0.0))
            first_dose[(material, x)] = min(c_dose[g], first_dose.get((material, x), math.inf))
    for j, i in enumerate(blur, start=first_of_line - blur.size):
        design[cell_row[i], j] = -1.0

    # strips of a series first, then each specimen that was read
    edges = np.searchsorted(c_series, np.arange(len(series) + 1))
    read = unique["f1"].astype(bool)
    sub_key = [(int(c_series[g]), str(unique["f2"][g])) for g in np.flatnonzero(read)]
    sub_range = np.array(
        [[np.flatnonzero(read)[sub_key.index(k)], np.flatnonzero(read)[len(sub_key) - 1
          - sub_key[::-1].index(k)] + 1] for k in dict.fromkeys(sub_key)], dtype=np.int64,
    ).reshape(-1, 2)  # fmt: skip
    sub_series = np.array([k[0] for k in dict.fromkeys(sub_key)], dtype=int)
    censored = np.flatnonzero(measured_kind & (items.censored != 0))
    censored = censored[np.argsort(s_row[censored], kind="stable")]
    limit = items.value[censored]
    series_index = np.zeros((len(series), 10), dtype=np.int64)
    series_index[:, 8], series_index[:, 9] = shared, apart
    for i, (m, _, d, _) in enumerate(series):
        first_read = edges[i] + int((~read[edges[i] : edges[i + 1]]).sum())
        series_index[i, :4] = materials.index(m), start_code.get((m, d), -1), edges[i], first_read
        series_index[i, 4:6] = np.searchsorted(sub_series, [i, i + 1])
        series_index[i, 6:8] = np.searchsorted(s_row[censored], [i, i + 1])
        if not measured_kind[s_row == i].any():
            series_index[i, 1] = -1

    with_readings = [m for m in materials if (reading & (items.text["material"] == m)).any()]
    reading_index = np.array(
        [with_readings.index(m) if m in with_readings else -1 for m in materials], dtype=np.int64
    )
    main_prior = np.array([[largest[k], book["threshold_dose"]["sd_log"]] for k in mains]).reshape(
        -1, 2
    )
    full_line = np.zeros((0, 0))
    if line is not None:  # one centre a family of exposures
        for family in {f for _, f in mains}:
            of = np.array([k[1] == family for k in mains])
            main_prior[of, 0] = main_prior[of, 0].mean()
        full_line = np.column_stack([np.zeros((len(mains), first_of_line)), line.rows])
    start_prior = _starts(items, starts, row_series, use, value, errors, sign)
    inspected = _inspections(items, cell_row, start_code, study, errors, sign)
    declared = _declarations(items, cell_row, start_code, sign)
    asked = study.thresholds[0] if study.thresholds else (2.0 if rises else 0.5)
    fraction = min(max(1 / asked if rises else asked, 0.2), 0.9)
    flags = {
        m: _flags(study, m, m in one_lot, c_dose, c_series, series, count, items) for m in materials
    }
    anchor = _anchors(materials, series, c_series, c_dose, mean, count, cell_row[censored],
                      sign * np.log(np.maximum(limit, 1e-12)), errors)  # fmt: skip
    bow_end = np.cumsum([len(b) for b in bows], dtype=np.int64)
    flat = [b for of in bows for b in of]
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
        cell_index=cell_index,
        cell_effect=cell_effect,
        cell_exposure=tuple(exposures[x] if x >= 0 else "" for x in c_exposure),
        cell_dose=c_dose,
        log_dose=log_dose,
        count=count,
        freedom=freedom,
        mean=mean,
        squares=squares,
        extra=extra,
        design=design,
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
        conditions=conditions,
        condition_bows={k: v for k, v in bent_conditions.items() if v},
        last_dose=last_dose,
        first_dose=first_dose,
        flags=flags,
        notes=(
            *(line.notes if line is not None else ()),
            *aliased_groups(items.text, lit),
        ),
    )  # fmt: skip


def _refuse_unusable(items: _Items, measured: np.ndarray, errors: Errors) -> None:
    """Nothing is dropped in silence: a strength that has no place in the model is a problem."""
    with np.errstate(invalid="ignore"):
        bad = measured & ~(np.isfinite(items.value) & ((items.value > 0) | (errors not in ON_LOGS)))
    if not bad.any():
        return
    from durability.study import Problem, StudyError

    expected = "a number above 0, since its logarithm is used" if errors in ON_LOGS else "a number"
    raise StudyError([
        Problem(
            file=str(items.text["file"][i]), row=int(items.line[i]), found=f"{items.value[i]:g}",
            expected=expected,
            mend="exclude the row with a reason, or mark it as censored at the measuring limit",
        )
        for i in np.flatnonzero(bad)
    ])  # fmt: skip


@dataclass(slots=True, kw_only=True, eq=False)
class _Effects:
    """Families of effects as they are found; those on threshold doses (`groups`) first."""

    groups: list[str]
    others: list[str]
    keys: list[tuple[str, Any]]
    names: list[tuple[str, str]]
    parents: list[int]

    def add(self, family: str, key: Any, name: str, parent: int = -1) -> int:
        self.keys.append((family, key))
        self.names.append((family, name))
        self.parents.append(parent)
        return len(self.keys) - 1

    def finished(self) -> tuple[tuple[tuple[str, str], ...], np.ndarray, dict[Any, int]]:
        families = [*self.groups, *self.others, "start"]
        index = [(families.index(k[0]), p) for k, p in zip(self.keys, self.parents, strict=True)]
        code = {key: i for i, key in enumerate(self.keys)}
        return tuple(self.names), np.array(index, dtype=np.int64).reshape(-1, 2), code


FEWEST_LOTS = 3  # in both directions, for a spread of the directions of a lot


def _lots_in_both(series: list[Any]) -> set[tuple[str, str]]:
    """(material, lot) tested machine and cross, of materials with enough of them."""
    way: dict[tuple[str, str], set[str]] = {}
    for m, lot, direction, _ in series:
        if lot != PRODUCT and direction in ("machine", "cross"):
            way.setdefault((m, lot), set()).add(direction)
    both = [k for k, found in way.items() if len(found) == 2]
    return {k for k in both if sum(m == k[0] for m, _ in both) >= FEWEST_LOTS}


def _effects(
    items: _Items, series: list[Any], mains: list[Any], single: set[str], one_lot: set[str]
) -> _Effects:
    """Group effects on the threshold dose: lots of products with several, then the other groups."""
    found = _Effects(groups=["lot"], others=[], keys=[], names=[], parents=[])

    def parent(material: str) -> int:
        return next((i for i, k in enumerate(mains) if k[0] == material), -1)

    for m, lot in dict.fromkeys((m, lot) for m, lot, _, _ in series if lot != PRODUCT):
        if m not in single and parent(m) >= 0:
            found.add("lot", (m, lot), f"{m} {lot}".strip(), parent(m))
    lit = items.dose > 0
    for group in ("laboratory", "run"):
        members = sorted(set(items.text[group][lit]) - {""})
        if len(members) > 1:
            found.groups.append(group)
            for name in members:
                found.add(group, name, name)
    read = [
        (items.key(i, "material", "lot", "direction", "laboratory"), str(items.text["specimen"][i]))
        for i in np.flatnonzero(items.kind == "reading")
    ]
    if len(set(read)) > 1:
        found.groups.append("specimen")
        for key in dict.fromkeys(read):
            found.add("specimen", key, " ".join(filter(None, (*key[0], key[1]))))
    both = _lots_in_both([k for k in series if k[0] not in one_lot and parent(k[0]) >= 0])
    if both:
        found.groups.append("direction_of_lot")
        for m, lot, direction in dict.fromkeys(k[:3] for k in series if k[:2] in both):
            if direction:
                key = (m, lot, direction)
                found.add("direction_of_lot", key, " ".join(filter(None, key)))
    return found


def _own(
    found: _Effects, materials: list[str], law: Law, structure: Structure
) -> tuple[np.ndarray, np.ndarray]:
    """Which shape and strip spread is a product's, and the effects on them."""
    n = len(materials)
    slot = np.zeros((n, 2), dtype=np.int64)
    effect = np.full((n, 1 + len(law.shapes)), -1, dtype=np.int64)
    wanted = [(0, "strip_spread", structure.spread)]
    wanted += [(1 + i, f"shape_{s.name}", structure.shape) for i, s in enumerate(law.shapes)]
    for k, family, sharing in wanted:
        if sharing not in ("product", "shared", "pooled"):
            raise ValueError(f'"{sharing}" is unknown; known: product, shared, pooled')
        if sharing == "product":
            slot[:, 0 if k else 1] = np.arange(n)
        elif sharing == "pooled" and n > 1:
            found.others.append(family)
            for i, m in enumerate(materials):
                effect[i, k] = found.add(family, m, m)
    return slot, effect


def _lot_strengths(
    found: _Effects, series: list[Any], starts: list[Any], percent: bool
) -> np.ndarray:
    """The effect on unexposed strength that the directions of a lot share, by series."""
    shared = np.full(len(series), -1, dtype=np.int64)
    both = _lots_in_both([k for k in series if (k[0], k[2]) in starts])
    if percent or not both:
        return shared
    found.others.append("lot_in_both_directions")
    for m, lot in dict.fromkeys(k[:2] for k in series if k[:2] in both):
        e = found.add("lot_in_both_directions", (m, lot), f"{m} {lot}")
        for i, k in enumerate(series):
            if k[:2] == (m, lot):
                shared[i] = e
    return shared


def _sufficient(
    items: _Items,
    use: np.ndarray,
    cell_row: np.ndarray,
    n_cell: int,
    errors: Errors,
    sign: float,
) -> tuple[np.ndarray, ...]:
    """Count, degrees of freedom, mean, squares about it and extra variance of each cell."""
    summary = items.kind == "summary"
    strength, n = items.value, items.n
    n_eff = np.where(summary & (n < 1), 1.0, np.where(summary, n, 1.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(summary & (n > 1), items.sd, np.nan)
        if errors in ON_LOGS:
            var_log = np.log1p((spread / strength) ** 2)
            var_log = np.where(np.isfinite(var_log), var_log, 0.0)
            value = sign * (np.log(strength) - var_log / 2)
            inner = (n_eff - 1) * var_log
            added = (items.value_sd / strength) ** 2
        else:
            value = strength.copy()
            inner = np.where(np.isfinite(spread), (n_eff - 1) * spread**2, 0.0)
            top = np.nanmax(np.where(use, strength, np.nan)) if use.any() else 1.0
            added = (items.value_sd / top) ** 2
    added = np.where(np.isfinite(added), added, 0.0)
    dof = np.where(summary & ~np.isfinite(spread), 1.0, n_eff)
    use = use & np.isfinite(value)
    at = cell_row[use]
    count, freedom, total = np.zeros(n_cell), np.zeros(n_cell), np.zeros(n_cell)
    squares, extra = np.zeros(n_cell), np.zeros(n_cell)
    np.add.at(count, at, n_eff[use])
    np.add.at(freedom, at, dof[use])
    np.add.at(total, at, n_eff[use] * value[use])
    mean = np.divide(total, count, out=np.zeros(n_cell), where=count > 0)
    np.add.at(squares, at, inner[use] + n_eff[use] * (value[use] - mean[at]) ** 2)
    # several figures of one cell: their errors average as their weights do
    np.add.at(extra, at, (n_eff[use] / count[at]) ** 2 * added[use])
    return count, freedom, mean, squares, extra, value


def _inspections(
    items: _Items,
    cell_row: np.ndarray,
    start_code: dict[Any, int],
    study: Study,
    errors: Errors,
    sign: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Cells, start and limit of each inspection; a look at dose 0 is the unexposed cell."""
    low = np.flatnonzero(items.kind == "low")
    high = np.flatnonzero(items.kind == "high")
    index, number = [], []
    for a, b in zip(low, high, strict=True):
        fraction, start = items.note[a], -1
        if np.isnan(fraction):
            start = start_code[items.key(a, "material", "direction")]
            fraction = study.required_strength or 1.0
        limit = sign * math.log(fraction) if errors in ON_LOGS else fraction
        index.append([cell_row[a] if items.dose[a] > 0 else -1, cell_row[b], start])
        number.append([limit, items.n[a]])
    return (
        np.array(index, dtype=np.int64).reshape(-1, 3),
        np.array(number, dtype=float).reshape(-1, 2),
    )


def _declarations(
    items: _Items, cell_row: np.ndarray, start_code: dict[Any, int], sign: float
) -> tuple[np.ndarray, np.ndarray]:
    """Cell, start, and log of what is said with its width and skewness."""
    book = priors()["declared"]
    index, number = [], []
    for i in np.flatnonzero(items.kind == "declared"):
        fraction = np.isfinite(items.note[i])
        said = sign * math.log(items.note[i] if fraction else items.value[i])
        start = -1 if fraction else start_code[items.key(i, "material", "direction")]
        index.append([cell_row[i], start])
        if items.sense[i] == "typical":
            number.append([said, book["typical_sd"], 0.0])
        else:
            number.append([said, book["minimum_margin"], book["minimum_edge"]])
    return (
        np.array(index, dtype=np.int64).reshape(-1, 2),
        np.array(number, dtype=float).reshape(-1, 3),
    )


def _starts(
    items: _Items,
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
            weight = np.where(items.kind == "summary", np.maximum(items.n, 1.0), 1.0)[lowest]
            centre = float(np.average(value[lowest], weights=weight))
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
    items: _Items,
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
