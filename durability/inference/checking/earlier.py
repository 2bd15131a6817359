"""What did earlier studies teach? Their draws as the prior of a new study, with a stated weight.

An earlier posterior is summarised by the moments of each parameter that a new study shares with it
(log threshold dose, log shape, log scatter of strips: mean and sd; spreads between lots: root mean
square, as the scale of a half-normal). Counted with a power a between 0 and 1 (Ibrahim and Chen
2000, Statistical Science 15:46, from memory), the new prior is the geometric mean of the earlier
posterior and of the usual prior with weights a and 1 - a; of two normal densities that is

    1/sd^2 = a/sd_earlier^2 + (1 - a)/sd_usual^2,   mean/sd^2 = the same sum of mean/sd^2,

and of two half-normal ones the same with the scales. It lies between the two.
Several studies are joined in `durability.inference.checking.bank`.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.fit import fit_model
from durability.inference.model import Model, changed_priors, priors

if TYPE_CHECKING:
    import xarray

    from durability.inference.fit import Fit
    from durability.inference.model import Errors
    from durability.inference.sampling import Sampler
    from durability.laws import Law
    from durability.study import Study

SPREADS = ("lot_spread_of_threshold", "lot_spread_of_strength")


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Mean and sd of a normal belief, on the log scale."""

    mean: float
    sd: float

    def mixed(self, usual: Moments, power: float) -> Moments:
        """The geometric mean with another belief, by power and 1 - power."""
        a, b = power / self.sd**2, (1 - power) / usual.sd**2
        mean = (a * self.mean + b * usual.mean) / (a + b)
        return Moments(mean=mean, sd=1 / math.sqrt(a + b))


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierPrior:
    """What earlier studies say of one product's parameters.

    Parameters
    ----------
    source : where it is from, in words; law, errors, fraction, family : for which it holds
        (family: unit of dose, or the exposure's name).
    products : names of the products it is from.
    threshold : of the log threshold dose of the median lot [log of the family's unit].
    shapes : of each log shape; strip_spread : of the log scatter of strips.
    spreads : scale of the half-normal of each spread between lots.
    """

    source: str
    law: str
    errors: str
    fraction: float
    family: str
    products: tuple[str, ...]
    threshold: Moments
    shapes: dict[str, Moments]
    strip_spread: Moments
    spreads: dict[str, float]

    def words(self) -> str:
        """The threshold dose believed, with its 95 % limits."""
        low, high = (math.exp(self.threshold.mean + z * 1.96 * self.threshold.sd) for z in (-1, 1))
        return (
            f"{self.source}: {100 * self.fraction:g} % left at"
            f" {math.exp(self.threshold.mean):.4g} (95 %: {low:.4g} to {high:.4g}) [{self.family}]"
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return asdict(self)


def earlier_prior(
    results: str | Path | Fit, *, product: str | None = None, inflate: bool = True
) -> EarlierPrior:
    """The prior that an earlier study gives.

    Parameters
    ----------
    results : results.nc of a report, the results folder, or a fit.
    product : whose draws; all products together where left out: then how products differ adds to
        the sd (a new product of the same kind), and at least three are needed unless there is one.
    inflate : with several products, widen by the few that there are.

    Returns
    -------
    EarlierPrior

    Raises
    ------
    StudyError : the file is no results file, or names no such product.
    """
    post, source = _posterior_of(results)
    level = "log_half_loss_dose" if "log_half_loss_dose" in post else "log_threshold_dose"
    labels = [str(x) for x in post["product"].values]
    split = [label.split(" | ", 1) for label in labels]
    chosen = [i for i, (name, _) in enumerate(split) if product in (None, name)]
    known = ", ".join(dict.fromkeys(name for name, _ in split))
    if not chosen:
        raise problem(source, str(product), f"a product of that study: {known}")
    families = {split[i][1] for i in chosen}
    if len(families) > 1:
        raise problem(source, ", ".join(sorted(families)), "products exposed on one axis of dose")
    if product is None and len(chosen) == 2:
        raise problem(
            source, known, "one product, or three and more to tell how products differ",
            "name one with product",
        )  # fmt: skip
    names = [split[i][0] for i in chosen]
    materials = [str(x) for x in post["material"].values]
    own = [materials.index(n) for n in names]
    shapes = [str(v) for v in post.data_vars if str(v).startswith("shape_")]
    return EarlierPrior(
        source=source, law=str(post.attrs["law"]), errors=str(post.attrs["errors"]),
        fraction=float(post.attrs["fraction"]), family=families.pop(), products=tuple(names),
        threshold=_pooled(post[level].values[..., chosen], inflate),
        shapes={
            v.removeprefix("shape_"): _pooled(np.log(post[v].values[..., own]), inflate)
            for v in shapes
        },
        strip_spread=_pooled(np.log(post["strip_spread"].values[..., own]), inflate),
        spreads={v: float(np.sqrt((post[v].values ** 2).mean())) for v in SPREADS if v in post},
    )  # fmt: skip


def _posterior_of(results: str | Path | Fit) -> tuple[xarray.Dataset, str]:
    import xarray

    from durability.inference.fit import Fit

    if isinstance(results, Fit):
        return results.posterior, results.study.title
    path = Path(results)
    path = path / "results.nc" if path.is_dir() else path
    try:
        with xarray.open_datatree(path, engine="h5netcdf") as tree:
            post = tree["posterior"].to_dataset().load()
        needed = {"product", "material", "strip_spread"} - set(post.variables)
        if needed or "law" not in post.attrs:
            raise KeyError(", ".join(sorted(needed)) or "law")
    except (OSError, KeyError, ValueError) as error:
        expected = "a results.nc that a report or a fit wrote"
        raise problem(path.name, str(error), expected) from error
    return post, f"{path.absolute().parent.parent.name}/{path.name}"


def problem(file: str, found: str, expected: str, mend: str = "") -> Exception:
    """One problem as a StudyError."""
    from durability.study import Problem, StudyError

    return StudyError([Problem(file=file, found=found, expected=expected, mend=mend)])


def _pooled(draws: np.ndarray, inflate: bool) -> Moments:
    """Mean and sd of a new product's value; with several products their differences count."""
    flat = draws.reshape(-1, draws.shape[-1])
    mean, within = flat.mean(0), flat.var(0)
    n = mean.size
    if n == 1:
        return Moments(mean=float(mean[0]), sd=float(np.sqrt(within[0])))
    between = mean.var(ddof=1) * ((n + 1) / n * (n - 1) / max(n - 3, 1) if inflate else 1.0)
    return Moments(mean=float(mean.mean()), sd=float(np.sqrt(between + within.mean())))


@dataclass(frozen=True, slots=True, kw_only=True)
class Weight:
    """The weight that the prior from earlier studies had in one answer.

    Parameters
    ----------
    material : whose median lot's threshold dose.
    share : precision of the prior over that of the posterior, 0 to 1, on the log scale.
    moved : how far the posterior median lies from the prior's, in prior sds: beyond 2, prior and
        strips are in conflict.
    """

    material: str
    share: float
    moved: float

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return asdict(self) | {"words": self.words()}

    def words(self) -> str:
        """In a sentence."""
        text = (
            f"{self.material}: the earlier studies count for {100 * self.share:.0f} % of what is"
            f" known of the threshold dose"
        )
        if abs(self.moved) > 2:
            text += f"; it moved by {abs(self.moved):.1f} of their sd: the strips contradict them"
        return text + "."


def with_earlier(model: Model, earlier: EarlierPrior, power: float) -> tuple[Model, dict[str, Any]]:
    """A model whose priors are those of earlier studies, counted with a power, and their tables.

    Raises
    ------
    ValueError : another law, kind of scatter, fraction or unit of dose.
    """
    if not 0 < power <= 1:
        raise ValueError(f"the power of an earlier study is {power:g}; it must be above 0, up to 1")
    for name, theirs, ours in (
        ("law", earlier.law, model.law.name),
        ("scatter", earlier.errors, model.errors),
    ):
        if theirs != ours:
            raise ValueError(f"the earlier study has {name} {theirs}, this one {ours}")
    main_prior = model.main_prior.copy()
    mains = [c for c, (_, family) in enumerate(model.mains) if family == earlier.family]
    if not mains:
        known = ", ".join(dict.fromkeys(f for _, f in model.mains))
        raise ValueError(f"the earlier doses are in {earlier.family}, these in {known}")
    threshold = _at_fraction(earlier, model)
    for c in mains:
        usual = Moments(mean=float(main_prior[c, 0]), sd=float(main_prior[c, 1]))
        mixed = threshold.mixed(usual, power)
        main_prior[c] = mixed.mean, mixed.sd
    shapes = []
    for s in model.law.shapes:
        usual = Moments(mean=math.log(s.median), sd=s.sd_log)
        mixed = earlier.shapes[s.name].mixed(usual, power) if s.name in earlier.shapes else usual
        reason = f"from {earlier.source}, counted with power {power:g}"
        shapes.append(replace(s, median=math.exp(mixed.mean), sd_log=mixed.sd, reason=reason))
    book = priors()
    strip = book["strip_spread"]
    mixed = earlier.strip_spread.mixed(
        Moments(mean=math.log(strip["median"]), sd=strip["sd_log"]), power
    )
    reason = {"reason": f"from {earlier.source}, counted with power {power:g}"}
    tables: dict[str, Any] = {
        "strip_spread": {**strip, "median": math.exp(mixed.mean), "sd_log": mixed.sd, **reason}
    }
    for name, scale in earlier.spreads.items():
        usual_scale = book[name]["scale"]
        precision = power / scale**2 + (1 - power) / usual_scale**2
        tables[name] = {**book[name], "scale": 1 / math.sqrt(precision), **reason}
    law = replace(model.law, shapes=tuple(shapes))
    return replace(model, main_prior=main_prior, law=law), tables


def _at_fraction(earlier: EarlierPrior, model: Model) -> Moments:
    """The earlier threshold at the fraction of this model's prior, by the earlier shape."""
    if model.half_loss or math.isclose(earlier.fraction, model.fraction):
        return earlier.threshold
    shape = {n: math.exp(m.mean) for n, m in earlier.shapes.items()}
    law = model.law
    step = math.log(
        float(law.inverse(model.fraction, shape)) / float(law.inverse(earlier.fraction, shape))
    )
    return replace(earlier.threshold, mean=earlier.threshold.mean + step)


def fit_with_earlier(
    study: Study | str | Path,
    earlier: EarlierPrior | str | Path,
    *,
    power: float = 1.0,
    law: str | Path | Law | None = None,
    errors: Errors = "lognormal",
    level: float | None = None,
    sampler: Sampler | None = None,
    seed: int = 0,
) -> Fit:
    """Fit a study with the posterior of earlier ones as its prior.

    Parameters
    ----------
    study : a study or the path of its folder.
    earlier : from `earlier_prior` or `bank_prior`, or a results.nc (its product of the same name
        as this study's first, if it has one; else all its products).
    power : how much the earlier studies count: 1 in full, 0.5 half.
    law, errors, level, sampler, seed : as in `durability.fit`; the law of the earlier study by
        default.

    Returns
    -------
    Fit; its draws' attributes keep ``prior_from``, ``prior_power`` and the changed priors.
    """
    from durability.inference.build import build_model
    from durability.laws import Law, read_law
    from durability.retention import with_strength
    from durability.study import read_study

    the_study = read_study(study) if isinstance(study, str | Path) else study
    the_study = with_strength(the_study)
    if not isinstance(earlier, EarlierPrior):
        earlier = earlier_prior_for(earlier, the_study)
    the_law = law if isinstance(law, Law) else read_law(law or earlier.law)
    model = build_model(the_study, the_law, errors=errors)
    model, tables = with_earlier(model, earlier, power)
    with changed_priors(tables):
        made = fit_model(the_study, model, sampler=sampler, seed=seed,
                         level=level or the_study.question.level)  # fmt: skip
    made.posterior.attrs |= {
        "changed_priors": json.dumps(tables), "prior_from": earlier.source, "prior_power": power,
    }  # fmt: skip
    return made


def earlier_prior_for(results: str | Path, study: Study) -> EarlierPrior:
    """What an earlier study says of this one: of its product of the same name, else of them all."""
    post, _ = _posterior_of(results)
    names = {str(x).split(" | ", 1)[0] for x in post["product"].values}
    same = [m for m in study.materials if m in names]
    return earlier_prior(results, product=same[0] if same else None)


def weights_of(fit: Fit) -> tuple[Weight, ...]:
    """The weight that earlier studies had in each product's threshold dose.

    Parameters
    ----------
    fit : from `fit_with_earlier`; of another fit the weight is that of the usual prior.
    """
    name = "log_half_loss_dose" if fit.model.half_loss else "log_threshold_dose"
    post = fit.posterior[name].values
    found = []
    for c, (material, _) in enumerate(fit.model.mains):
        draws = post[..., c].ravel()
        mean, sd = fit.model.main_prior[c]
        found.append(
            Weight(material=material, share=float(min(1.0, draws.var() / sd**2)),
                   moved=float((np.median(draws) - mean) / sd))
        )  # fmt: skip
    return tuple(found)
