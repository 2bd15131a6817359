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

import functools
import hashlib
import json
import math
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.fit import fit_model
from durability.inference.model import Model, Taught, priors

if TYPE_CHECKING:
    import xarray

    from durability.inference.checking.bank import Bank
    from durability.inference.fitted import Fit
    from durability.inference.model import Errors
    from durability.inference.sampling import Sampler
    from durability.laws import Law, Shape
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
    others : threshold doses of further products, by the name that a new study has too.
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
    others: dict[str, Moments] = field(default_factory=dict)

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

    @classmethod
    def from_dict(cls, kept: dict[str, Any]) -> EarlierPrior:
        """The inverse of `to_dict`."""
        moments = {name: Moments(**kept[name]) for name in ("threshold", "strip_spread")}
        named = {part: {name: Moments(**m) for name, m in kept[part].items()}
                 for part in ("shapes", "others")}  # fmt: skip
        return cls(**{**kept, **moments, **named, "products": tuple(kept["products"])})


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

    from durability.inference.fitted import Fit

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


def problem(
    file: str, found: str, expected: str, mend: str = "", column: str | None = None
) -> Exception:
    """One problem as a StudyError."""
    from durability.study import Problem, StudyError

    one = Problem(file=file, found=found, expected=expected, mend=mend, column=column)
    return StudyError([one])


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


def with_earlier(model: Model, earlier: EarlierPrior, power: float, *, part: bool = False) -> Model:
    """A model whose priors are those of earlier studies, counted with a power.

    An earlier product of a name that this study has speaks of that product alone; of any other
    name, of all of them. Shapes and scatter, which one prior serves for all products, are taken
    where it speaks of all.

    Parameters
    ----------
    model : of this study.
    earlier : what the earlier studies say.
    power : above 0, up to 1.
    part : take from a study of another law what does not hang on the law (scatter of strips,
        spreads between lots), in place of refusing it.

    Raises
    ------
    ValueError : another law, kind of scatter, fraction or unit of dose.
    """
    if not 0 < power <= 1:
        raise ValueError(f"the power of an earlier study is {power:g}; it must be above 0, up to 1")
    if earlier.errors != model.errors:
        raise ValueError(f"the earlier study has scatter {earlier.errors}, this one {model.errors}")
    mains = [c for c, (_, family) in enumerate(model.mains) if family == earlier.family]
    if not mains:
        known = ", ".join(dict.fromkeys(f for _, f in model.mains))
        raise ValueError(f"the earlier doses are in {earlier.family}, these in {known}")
    one = earlier.products[0] if len(earlier.products) == 1 else None
    if one in model.materials:
        mains = [c for c in mains if model.mains[c][0] == one]
    of_all = {model.mains[c][0] for c in mains} == {m for m, _ in model.mains}
    reason = {"reason": f"from {earlier.source}, counted with power {power:g}"}
    left_out = []
    same_law = earlier.law == model.law.name
    if not same_law:
        if not part:
            raise ValueError(f"the earlier study has law {earlier.law}, this one {model.law.name}")
        left_out.append(f"its law is {earlier.law}: threshold dose and shape are not taken")
    elif model.line.size:
        left_out.append("products are pooled about a common level here: its threshold dose is not")
    main_prior, law = model.main_prior.copy(), model.law
    taken: tuple[str, ...] = ()
    if same_law and not model.line.size:
        also = [c for c, k in enumerate(model.mains)
                if k[0] in earlier.others and k[1] == earlier.family]  # fmt: skip
        taken = tuple(dict.fromkeys(model.mains[c][0] for c in (*mains, *also)))
        for c in (*mains, *also):
            own = earlier.others.get(model.mains[c][0], earlier.threshold)
            threshold = _at_fraction(own, earlier, model)
            usual = Moments(mean=float(main_prior[c, 0]), sd=float(main_prior[c, 1]))
            mixed = threshold.mixed(usual, power)
            main_prior[c] = mixed.mean, mixed.sd
    if same_law and of_all:
        law = replace(law, shapes=tuple(_mixed_shape(s, earlier, power, reason["reason"])
                                        for s in law.shapes))  # fmt: skip
    book = priors()
    tables: dict[str, Any] = {}
    if of_all:
        strip = book["strip_spread"]
        usual = Moments(mean=math.log(strip["median"]), sd=strip["sd_log"])
        mixed = earlier.strip_spread.mixed(usual, power)
        tables["strip_spread"] = {**strip, "median": math.exp(mixed.mean), "sd_log": mixed.sd,
                                  **reason}  # fmt: skip
    else:
        left_out.append("this study has other products: shape and scatter are not taken")
    for name, scale in earlier.spreads.items():
        usual_scale = book[name]["scale"]
        precision = power / scale**2 + (1 - power) / usual_scale**2
        tables[name] = {**book[name], "scale": 1 / math.sqrt(precision), **reason}
    if taken and one is not None and one not in model.materials:
        left_out.append(f"it is of {one}, a product of another name, and was taken as of this one")
    words = "; ".join([f"prior from {earlier.words()}, counted with power {power:g}", *left_out])
    taught = Taught(
        source=earlier.source, power=power, products=taken, tables=tables,
        earlier=earlier.to_dict(), words=words,
    )  # fmt: skip
    return replace(model, main_prior=main_prior, law=law, taught=taught,
                   notes=(*model.notes, words))  # fmt: skip


def _mixed_shape(shape: Shape, earlier: EarlierPrior, power: float, reason: str) -> Shape:
    if shape.name not in earlier.shapes:
        return shape
    usual = Moments(mean=math.log(shape.median), sd=shape.sd_log)
    mixed = earlier.shapes[shape.name].mixed(usual, power)
    return replace(shape, median=math.exp(mixed.mean), sd_log=mixed.sd, reason=reason)


def _at_fraction(threshold: Moments, earlier: EarlierPrior, model: Model) -> Moments:
    """An earlier threshold at the fraction of this model's prior, by the earlier shape."""
    if model.half_loss or math.isclose(earlier.fraction, model.fraction):
        return threshold
    shape = {n: math.exp(m.mean) for n, m in earlier.shapes.items()}
    law = model.law
    step = math.log(
        float(law.inverse(model.fraction, shape)) / float(law.inverse(earlier.fraction, shape))
    )
    return replace(threshold, mean=threshold.mean + step)


def fit_with_earlier(
    study: Study | str | Path,
    earlier: EarlierPrior | str | Path,
    *,
    power: float = 1.0,
    law: str | Path | Law | None = None,
    errors: Errors | None = None,
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
    Fit; `Fit.model.taught` and its draws' attributes keep what was changed.
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
    model = with_earlier(build_model(the_study, the_law, errors=errors), earlier, power)
    return fit_model(the_study, model, sampler=sampler, seed=seed,
                     level=level or the_study.question.level)  # fmt: skip


def prior_place(study: Study) -> Path | None:
    """Where the earlier results, or the folder of earlier studies, that a study names lie.

    Parameters
    ----------
    study : whose study.toml says ``prior_from`` under [model], relative to its folder.

    Returns
    -------
    Path of a results.nc or of a folder of studies; None where none is named.

    Raises
    ------
    StudyError : there is no such file or folder.
    """
    named = study.choices.prior_from
    if named is None:
        return None
    from durability.inference.checking.bank import is_bank

    place = study.folder / named
    for file in (place, place / "results.nc", place / "results" / "results.nc"):
        if file.is_file():
            return file
    if is_bank(place):
        return place
    raise problem(
        "study.toml", named,
        "the results.nc of an earlier study, its results folder, or a folder of study folders",
        "Name it from the study folder, such as ../earlier/results, or remove prior_from.",
        column="model.prior_from",
    )  # fmt: skip


def prior_digest(study: Study) -> str | None:
    """SHA-256 of the earlier results, or of the files of a folder of studies, that a study names.

    Raises
    ------
    StudyError : there are no such results.
    """
    place = prior_place(study)
    if place is None:
        return None
    folders = [place] if place.is_file() else sorted(
        p for p in place.iterdir() if (p / "study.toml").is_file()
    )  # fmt: skip
    whole = hashlib.sha256()
    for folder in folders:
        files = [folder] if folder.is_file() else sorted(p for p in folder.iterdir() if p.is_file())
        for file in files:
            whole.update(file.read_bytes())
    return whole.hexdigest()


def taught_by(
    study: Study, model: Model, *, sampler: Sampler | None = None, seed: int = 0
) -> Model:
    """The model with the priors of the earlier studies that study.toml names, if it names any.

    Parameters
    ----------
    study : whose choices say ``prior_from`` and ``prior_power``.
    model : of it.
    sampler, seed : for a folder of studies, which are fitted first.

    Raises
    ------
    StudyError : there are no such results. ValueError : they do not fit this model.
    """
    place = prior_place(study)
    if place is None:
        return model
    if place.is_dir():
        earlier = bank_named(study, model.law, model.errors, sampler=sampler, seed=seed).prior
    else:
        earlier = earlier_prior_for(place, study)
    return with_earlier(model, earlier, study.choices.prior_power, part=True)


def bank_named(
    study: Study, law: Law, errors: Errors, *, sampler: Sampler | None = None, seed: int = 0
) -> Bank:
    """The folder of earlier studies that a study names, fitted once a process and law.

    Parameters
    ----------
    study : whose `prior_place` is such a folder.
    law, errors, sampler, seed : as in `durability.fit`.
    """
    place = prior_place(study)
    assert place is not None
    return _bank(place, study.folder, law, errors, sampler, seed)


@functools.lru_cache(maxsize=16)
def _bank(
    place: Path, own: Path, law: Law, errors: Errors, sampler: Sampler | None, seed: int
) -> Bank:
    from durability.inference.checking.bank import bank_prior

    return bank_prior(place, law=law, errors=errors, apart_from=own, sampler=sampler, seed=seed)


def default_law(study: Study) -> str:
    """The law where no option names one: that of study.toml, else that of the earlier results which
    it names, if it is one of models/laws, else `durability.inference.DEFAULT_LAW`."""
    from durability.inference.fit import DEFAULT_LAW
    from durability.laws import laws
    from durability.study.choices import law_named

    named = law_named(study)
    if named is not None:
        return named
    place = prior_place(study)
    if place is None or place.is_dir() or place.suffix == ".json":
        return DEFAULT_LAW
    law = str(_posterior_of(place)[0].attrs["law"])
    return law if law in laws() else DEFAULT_LAW


def one_law(study: Study, law: str | Path | Law | None = None) -> Law:
    """The law named, or that of `default_law`, where an average over laws does not serve.

    Raises
    ------
    ValueError : it is the average.
    LookupError : an unknown law.
    """
    from durability.inference.fit import DEFAULT_LAW
    from durability.laws import Law, read_law
    from durability.study.model import AVERAGED

    used = law or default_law(study)
    if used == AVERAGED:
        raise ValueError(
            f'the law is "{AVERAGED}", and this takes one law: name it, such as "{DEFAULT_LAW}"'
        )
    return used if isinstance(used, Law) else read_law(used)


def earlier_prior_for(results: str | Path, study: Study) -> EarlierPrior:
    """What an earlier study says of this one: of products of the same name, else of them all.

    A .json that keeps an `EarlierPrior` is taken as it stands.
    """
    if Path(results).suffix == ".json":
        return EarlierPrior.from_dict(json.loads(Path(results).read_text(encoding="utf-8")))
    post, _ = _posterior_of(results)
    names = {str(x).split(" | ", 1)[0] for x in post["product"].values}
    same = [m for m in study.materials if m in names]
    if not same:
        return earlier_prior(results)
    first, *more = [earlier_prior(results, product=m) for m in same]
    others = {m: e.threshold for m, e in zip(same[1:], more, strict=True)
              if e.family == first.family}  # fmt: skip
    return replace(first, others=others)


def weights_of(fit: Fit) -> tuple[Weight, ...]:
    """The weight that earlier studies had in each product's threshold dose.

    Parameters
    ----------
    fit : whose priors are those of earlier studies; of another fit nothing is found.
    """
    taught = fit.model.taught
    name = "log_half_loss_dose" if fit.model.half_loss else "log_threshold_dose"
    if taught is None or name not in fit.posterior:  # an average over laws keeps no such draws
        return ()
    post = fit.posterior[name].values
    found = []
    for c, (material, family) in enumerate(fit.model.mains):
        if material not in taught.products or family != taught.earlier["family"]:
            continue
        draws = post[..., c].ravel()
        mean, sd = fit.model.main_prior[c]
        found.append(
            Weight(material=material, share=float(min(1.0, draws.var() / sd**2)),
                   moved=float((np.median(draws) - mean) / sd))
        )  # fmt: skip
    return tuple(found)
