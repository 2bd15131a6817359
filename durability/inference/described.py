"""What is the model of this study, in a chemist's words, before anything is sampled?

Every term with the columns of the study that made it and its prior on a scale that a chemist can
judge, and what was left out with the reason.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from durability.inference.model import (
    ERRORS,
    Column,
    Errors,
    Model,
    Structure,
    priors,
    spread_name,
)

if TYPE_CHECKING:
    from durability.laws import Law
    from durability.study import Study

LEVEL, STRENGTH, SCATTER = "threshold dose", "unexposed strength", "scatter"
CURVE, CLOCK, OTHER = "curve", "dose delivered", "other data"

FROM_COLUMN = {
    "lot": "column lot",
    "laboratory": "column laboratory",
    "run": "column run",
    "specimen": "column specimen of the readings",
    "direction_of_lot": "columns lot and direction",
    "direction": "column direction",
    "covariate": "[materials.NAME.covariates]",
    "pooled": "column material",
    "dose_read_off": "column dose_sd",
    "dose_calibration": "irradiance_uncertainty of [exposures.NAME]",
    "lamp_temperature": "temperatures of [exposures.NAME]",
    "activation_energy": "temperatures of [exposures.NAME]; models/materials",
    "reciprocity_exponent": "irradiances of [exposures.NAME]; models/materials",
}
ON_LOGS = ("direction", "covariate", "pooled", "dose_read_off", "dose_calibration")


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One term of the model.

    Parameters
    ----------
    acts_on : what it moves.
    name : of the term; count : how many values it takes.
    source : columns or tables of the study that made it.
    prior : what is believed of it before the strips, in words.
    """

    acts_on: str
    name: str
    count: int
    source: str
    prior: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Described:
    """The model of a study in words.

    Parameters
    ----------
    title : of the study; law : title of the law.
    equation : lines, as in the report.
    terms : in the order of the equation.
    left_out : (what, why)
    data : (kind, number) of what carries information.
    """

    title: str
    law: str
    equation: tuple[str, ...]
    terms: tuple[Term, ...]
    left_out: tuple[tuple[str, str], ...]
    data: tuple[tuple[str, int], ...]

    def to_dict(self) -> dict[str, Any]:
        """A plain record."""
        return {
            "law": self.law,
            "equation": list(self.equation),
            "terms": [asdict(t) for t in self.terms],
            "left_out": [{"what": what, "why": why} for what, why in self.left_out],
            "data": dict(self.data),
        }

    def rows(self) -> list[tuple[str, str, str, str]]:
        """Head and rows: what is moved, term with its number, from which columns, prior."""
        head = ("moves", "term", "from", "before the strips")
        return [head, *(
            (t.acts_on, t.name + (f" ({t.count})" if t.count > 1 else ""), t.source, t.prior)
            for t in self.terms
        )]  # fmt: skip

    def __repr__(self) -> str:
        found = [
            f"{t.acts_on}: {t.name} ({t.count}), from {t.source}; {t.prior}" for t in self.terms
        ]
        left = [f"left out: {what}: {why}" for what, why in self.left_out]
        return "\n".join([*self.equation, *found, *left])


def describe(model: Model, study: Study) -> Described:
    """The model in words.

    Parameters
    ----------
    model : from `durability.inference.build.build_model`.
    study : the study it was built from.

    Returns
    -------
    Described

    Examples
    --------
    >>> import durability
    >>> from durability.inference.build import build_model
    >>> from durability.laws import read_law
    >>> study = durability.read_study("examples/quarry-cover")
    >>> found = describe(build_model(study, read_law("exponential")), study)
    >>> [t.name for t in found.terms if t.acts_on == "threshold dose"][:2]
    ['product', 'lot']
    """
    with model.own_priors():
        terms = [*_level(model), *_columns(model), *_curve(model), *_strength(model)]
        terms += _scatter(model)
    kinds = (
        ("single strips", int(model.strip_cell.size)),
        ("censored strips", int(model.censored_limit.size)),
        ("specimens read repeatedly", len(model.sub_range)),
        ("inspections", len(model.inspected_index)),
        ("declared values", len(model.declared_index)),
        ("lots or products in a direction and laboratory", len(model.series)),
        ("cells (of one lot, direction, exposure and dose)", int(model.cell_dose.size)),
    )
    return Described(
        title=study.title,
        law=model.law.title,
        equation=(*model.equation(), *([model.taught.words] if model.taught else [])),
        terms=tuple(terms),
        left_out=tuple(_left_out(model, study)),
        data=tuple((kind, n) for kind, n in kinds if n),
    )


def described(
    study: Study,
    *,
    law: str | Law,
    errors: Errors | None = None,
    structure: Structure | None = None,
) -> Described:
    """The model that a study's columns call for, with what earlier results teach; none is drawn.

    A folder of earlier studies (a bank) is fitted with the study and only named here.

    Parameters
    ----------
    study : the study, read.
    law : its name, a law file, or a law.
    errors, structure : as in `durability.inference.fit`.

    Raises
    ------
    StudyError, ValueError : what `durability.inference.fit` would raise of the model.

    Examples
    --------
    >>> import durability
    >>> found = described(durability.read_study("examples/quarry-cover"), law="logistic")
    >>> found.equation[1]
    'R = 1/(1 + u**k), u = dose / s, s = threshold dose / [scaled dose there] at q = 0.5'
    """
    from durability.inference.build import build_model
    from durability.inference.checking.earlier import prior_place, taught_by
    from durability.laws import read_law

    used = read_law(law) if isinstance(law, str) else law
    errors = errors or study.choices.errors
    if errors not in ERRORS:
        raise ValueError(f'errors "{errors}" is unknown; known: {", ".join(ERRORS)}')
    model = build_model(study, used, errors=errors, structure=structure)
    place = prior_place(study)
    if place is not None and place.is_file():
        model = taught_by(study, model)
    found = describe(model, study)
    if place is not None and place.is_dir():
        told = ("what earlier studies teach", f"{place.name} is fitted when the study is")
        found = replace(found, left_out=(*found.left_out, told))
    return found


def _factor(sd: float) -> str:
    """A normal on the log scale: within what factor or share 95 % of it lies."""
    by = math.exp(1.96 * sd)
    share = f"{100 * (by - 1):.0f} %" if by < 2 else f"a factor of {by:.2g}"
    return f"within {share} either way (95 %)"


def _apart(scale: float) -> str:
    """A half-normal spread on the log scale, as what it means for its members."""
    return f"they differ by 0 to {100 * (math.exp(1.96 * scale) - 1):.0f} % (95 % of the prior)"


def _median(median: float, sd_log: float) -> str:
    by = math.exp(1.96 * sd_log)
    return f"{median:.3g}, within a factor of {by:.2g} either way (95 %)"


def _share(median: float, sd_log: float) -> str:
    by = math.exp(1.96 * sd_log)
    low, high = 100 * median / by, 100 * median * by
    return f"{100 * median:.2g} % of the strength; {low:.2g} to {high:.2g} % (95 %)"


def _level(model: Model) -> list[Term]:
    sd = float(model.main_prior[0, 1]) if len(model.main_prior) else 0.0
    what = "half the loss that the law ever shows" if model.half_loss else "the threshold dose"
    families = len({f for _, f in model.mains})
    prior = f"{what}: about the largest dose tested, {_factor(sd)}"
    if model.line.size:
        prior = f"products {_apart(priors()[spread_name('product')]['scale'])} about their line"
    source = "column material" + (" (apart by exposure)" if families > 1 else "")
    found = [Term(acts_on=LEVEL, name="product", count=len(model.mains), source=source,
                  prior=prior)]  # fmt: skip
    for f, group in enumerate(model.groups):
        count = int((model.effect_index[:, 0] == f).sum())
        if group == "lot":
            count += int(model.single_lot.sum())
        if count:
            found.append(Term(
                acts_on=LEVEL, name=group.replace("_", " "), count=count,
                source=FROM_COLUMN[group], prior=_apart(priors()[spread_name(group)]["scale"]),
            ))  # fmt: skip
    return found


def _columns(model: Model) -> list[Term]:
    found = []
    names = dict.fromkeys(c.name for c in model.columns)
    for name in names:
        mine = [c for c in model.columns if c.name == name]
        level = name in ("direction", "covariate", "pooled")
        about = [c.subject for c in mine] if name in ("covariate", "activation_energy",
                                                       "reciprocity_exponent") else []  # fmt: skip
        label = {"pooled": "common level of products"}.get(name, name.replace("_", " "))
        found.append(Term(
            acts_on=LEVEL if level else CLOCK,
            name=f"{label} {', '.join(about)}".strip(),
            count=len(mine), source=FROM_COLUMN.get(name, "site and weather of [exposures.NAME]"),
            prior=_prior_of(mine[0]),
        ))  # fmt: skip
    return found


def _prior_of(column: Column) -> str:
    if column.name == "covariate":
        return f"its doubling changes the threshold dose {_factor(column.sd * math.log(2))}"
    if column.name in ON_LOGS:
        return _factor(column.sd)
    unit = "" if column.unit == "1" else f" {column.unit}"
    text = f"{column.mean:.3g} ± {column.sd:.2g}{unit}"
    if column.bounded:
        text += f", from {column.low:.3g} to {column.high:.3g}"
    return text


def _curve(model: Model) -> list[Term]:
    sharing = {
        "product": "each product its own", "shared": "one for all products",
        "pooled": "products pooled about a common one",
    }[model.structure.shape]  # fmt: skip
    return [
        Term(
            acts_on=CURVE, name=f"shape {s.name}", count=int(model.own_slot[:, 0].max()) + 1,
            source=f"law {model.law.name}; {sharing}",
            prior=f"{s.meaning}: {_median(s.median, s.sd_log)}",
        )
        for s in model.law.shapes
    ]  # fmt: skip


def _strength(model: Model) -> list[Term]:
    if model.start_known is not None:
        return []
    book = priors()
    found = [
        Term(
            acts_on=STRENGTH, name="product and direction", count=len(model.starts),
            source="columns material and direction",
            prior="about the least exposed strips, "
            + _factor(float(model.start_prior[:, 1].max(initial=0.0))),
        ),
        Term(
            acts_on=STRENGTH, name="lot", count=int((model.series_index[:, 1] >= 0).sum()),
            source="columns lot, direction and laboratory",
            prior=_apart(book["lot_spread_of_strength"]["scale"]),
        ),
    ]  # fmt: skip
    if "lot_in_both_directions" in model.others:
        found.append(Term(
            acts_on=STRENGTH, name="what a lot's directions share",
            count=len(set(model.series_index[:, 8].tolist()) - {-1}),
            source="columns lot and direction",
            prior=_apart(book[spread_name("lot_in_both_directions")]["scale"]),
        ))  # fmt: skip
    return found


def _scatter(model: Model) -> list[Term]:
    book = priors()
    of = book["strip_spread"]
    sharing = {"product": "each product its own", "shared": "one for all products",
               "pooled": "products pooled"}[model.structure.spread]  # fmt: skip
    found = [Term(
        acts_on=SCATTER, name="strips", count=int(model.own_slot[:, 1].max()) + 1,
        source=f"strips of one lot at one dose; {sharing}",
        prior=_share(of["median"], of["sd_log"]),
    )]  # fmt: skip
    if model.errors == "power":
        of = book["spread_power"]
        prior = f"{of['mean']:g} ± {of['sd']:g}"
        found.append(Term(acts_on=SCATTER, name="power of what is left", count=1,
                          source="--errors power", prior=prior))  # fmt: skip
    if model.errors == "student":
        of = book["tail_freedom"]
        found.append(Term(acts_on=SCATTER, name="degrees of freedom of the tails", count=1,
                          source="--errors student",
                          prior=_median(of["median"], of["sd_log"])))  # fmt: skip
    if model.sub_range.size:
        of = book["reading_spread"]
        found.append(Term(
            acts_on=SCATTER, name="readings of one specimen",
            count=int(model.reading_index.max()) + 1, source="the readings",
            prior=_share(of["median"], of["sd_log"]),
        ))  # fmt: skip
    return found


def _left_out(model: Model, study: Study) -> list[tuple[str, str]]:
    """What the model might have held, and why it does not."""
    from durability.inference.covariates import FEWEST_PRODUCTS

    found: list[tuple[str, str]] = []
    single = [m for m, one in zip(model.materials, model.single_lot, strict=True) if one]
    if single:
        found.append((
            "spread between lots from data",
            f"{', '.join(single)}: one lot each, so the prior of the spread stands alone",
        ))  # fmt: skip
    for group in ("laboratory", "run"):
        if group not in model.groups:
            found.append((group, f"column {group} is blank or names one only"))
    names = {c.name for c in model.columns}
    if "direction" not in names and "direction_of_lot" not in model.groups:
        found.append(("direction", "no product was tested both machine and cross"))
    elif "direction_of_lot" not in model.groups:
        found.append(("direction of each lot", "fewer than three lots were tested in both"))
    if not names & {"activation_energy", "reciprocity_exponent"}:
        found.append((
            "activation energy, reciprocity exponent",
            "no two exposures of one lamp kind differ in temperature or irradiance, or the polymer"
            " or the settings are not given: the clock is one factor, which translation adds",
        ))  # fmt: skip
    held = {n for m in model.materials for n in study.materials[m].covariates}
    used = {c.subject for c in model.columns if c.name == "covariate"}
    if held and not used:
        said = any(n in note for n in held for note in model.notes)
        if not said:
            found.append((
                f"covariates ({', '.join(sorted(held))})",
                f"{len(model.materials)} products; a line nobody asked for needs"
                f" {FEWEST_PRODUCTS}. Ask for it by --covariate NAME=FORM",
            ))  # fmt: skip
    found += [("a note", note) for note in model.notes]
    if model.start_known is not None:
        found.append(("unexposed strength", "the data are percent of it, by definition 100 %"))
    return found


__all__ = ["Described", "Term", "describe", "described"]
