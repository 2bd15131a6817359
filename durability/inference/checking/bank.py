"""What do many earlier studies say of a new product of their kind? A bank as a prior, and its test.

Each study is fitted by itself; the products' posteriors, taken as normal on the log scale, are
joined by a normal hierarchy over products, parameter by parameter. Whether such a prior may be
trusted is tested by leaving each study out and foretelling its products from the others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.earlier import (
    SPREADS,
    EarlierPrior,
    Moments,
    earlier_prior,
    problem,
)

if TYPE_CHECKING:
    from durability.inference.model import Errors
    from durability.inference.sampling import Sampler
    from durability.laws import Law


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """One product foretold by the products of the other studies.

    Parameters
    ----------
    study, product : left out.
    found, predicted, low, high : its threshold dose as its own strips say, and as foretold with
        95 % limits.
    inside : found within the limits; z : distance in sds of the forecast.
    """

    study: str
    product: str
    found: float
    predicted: float
    low: float
    high: float
    inside: bool
    z: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bank:
    """Earlier studies fitted together, as the prior of a new product of the same kind.

    Parameters
    ----------
    prior : for the new product.
    studies : titles; products : (study, product) that went in.
    between : sd of log threshold dose between products.
    foretold : each product by the products of the other studies.
    left_out : folder -> why it was not used.
    """

    prior: EarlierPrior
    studies: tuple[str, ...]
    products: tuple[tuple[str, str], ...]
    between: float
    foretold: tuple[Foretold, ...]
    left_out: dict[str, str]

    @property
    def coverage(self) -> float | None:
        """Share of products inside the 95 % limits of the other studies."""
        return float(np.mean([f.inside for f in self.foretold])) if self.foretold else None

    def verdict(self) -> str:
        """In sentences."""
        text = (
            f"{len(self.products)} products of {len(self.studies)} studies; products differ in"
            f" threshold dose by a factor of {math.exp(math.sqrt(2) * self.between):.2f} in two"
            f" pairs of three."
        )
        if self.foretold:
            inside = sum(f.inside for f in self.foretold)
            text += (
                f" Left out one study at a time, {inside} of {len(self.foretold)} products lie"
                " inside the 95 % limits of the others."
            )
        return text

    def __repr__(self) -> str:
        lines = ["Bank", f"  {self.verdict()}", f"  {self.prior.words()}"]
        lines += [
            f"  {f.study}, {f.product}: found {f.found:.4g}, foretold {f.predicted:.4g}"
            f" ({f.low:.4g} to {f.high:.4g})"
            for f in self.foretold
        ]
        return "\n".join(lines + [f"  not used: {k}: {v}" for k, v in self.left_out.items()])

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "verdict": self.verdict(), "prior": self.prior.to_dict(), "studies": self.studies,
            "products": [list(p) for p in self.products], "between": self.between,
            "foretold": [asdict(f) for f in self.foretold], "coverage": self.coverage,
            "not_used": self.left_out,
        }  # fmt: skip


def random_effects(
    values: Sequence[float], sds: Sequence[float], *, scale: float = 1.0
) -> tuple[Moments, float]:
    """A new value, from values known with errors that differ between themselves.

    ``y_i ~ normal(m_i, s_i)``, ``m_i ~ normal(mean, between)``, flat mean, half-normal `between`;
    the integral over `between` is a sum over a fine grid.

    Parameters
    ----------
    values, sds : y and s.
    scale : of the half-normal prior of `between`.

    Returns
    -------
    (mean and sd of a new m, posterior mean of `between`).

    Examples
    --------
    >>> new, between = random_effects([1.0, 1.2, 0.8, 1.1], [0.01] * 4)
    >>> round(new.mean, 2), 0.1 < between < 0.5
    (1.02, True)
    """
    y, s2 = np.asarray(values, dtype=float), np.asarray(sds, dtype=float) ** 2
    t = (np.arange(400) + 0.5) / 400 * 4 * scale
    w = 1 / (s2 + t[:, None] ** 2)
    precision = w.sum(1)
    mean = (w * y).sum(1) / precision
    log = 0.5 * np.log(w).sum(1) - 0.5 * np.log(precision) - 0.5 * (t / scale) ** 2
    log -= 0.5 * (w * (y - mean[:, None]) ** 2).sum(1)
    share = np.exp(log - log.max())
    share /= share.sum()
    middle = float(share @ mean)
    variance = float(share @ (t**2 + 1 / precision + (mean - middle) ** 2))
    return Moments(mean=middle, sd=math.sqrt(variance)), float(share @ t)


def is_bank(place: str | Path) -> bool:
    """The folder holds study folders, and no results of its own."""
    path = Path(place)
    return (
        path.is_dir()
        and not (path / "results.nc").is_file()
        and any((p / "study.toml").is_file() for p in path.iterdir())
    )


def bank_prior(
    folder: str | Path,
    *,
    law: str | Path | Law | None = None,
    errors: Errors = "lognormal",
    polymer: str | None = None,
    family: str | None = None,
    apart_from: str | Path | None = None,
    sampler: Sampler | None = None,
    seed: int = 0,
) -> Bank:
    """Earlier studies of a folder, as the prior of a new product of the same kind.

    Each study is fitted with the same law and the usual priors, so that nothing counts twice; the
    products' posteriors are then joined by a normal hierarchy over products, parameter by parameter
    (their posteriors taken as normal).

    Parameters
    ----------
    folder : holds one study folder each.
    law, errors, sampler, seed : as in `durability.fit`.
    polymer : only materials of this file of models/materials.
    family : unit of dose of the products that are joined; the most frequent by default.
    apart_from : a study folder that is not used: the new study, where it lies among them.

    Returns
    -------
    Bank

    Raises
    ------
    StudyError : fewer than three products.
    """
    from durability.inference.fit import DEFAULT_LAW, fit
    from durability.study import StudyError, read_study

    found: list[tuple[str, EarlierPrior]] = []
    left_out: dict[str, str] = {}
    own = None if apart_from is None else Path(apart_from).resolve()
    for place in sorted(p for p in Path(folder).iterdir() if (p / "study.toml").is_file()):
        if place.resolve() == own:
            continue
        try:
            study = read_study(place)
            study = replace(study, choices=replace(study.choices, prior_from=None))
            made = fit(study, law=law or DEFAULT_LAW, errors=errors, sampler=sampler, seed=seed)
        except (StudyError, ValueError) as error:
            left_out[place.name] = str(error).splitlines()[-1].strip()
            continue
        if not made.diagnostics.ok:
            left_out[place.name] = "; ".join(made.diagnostics.problems())
            continue
        for material in made.materials:
            if polymer is not None and study.materials[material].polymer != polymer:
                left_out[f"{place.name}, {material}"] = f"not of {polymer}"
                continue
            try:
                found.append((place.name, earlier_prior(made, product=material)))
            except StudyError as error:
                left_out[f"{place.name}, {material}"] = str(error.problems[0])
    units = [e.family for _, e in found]
    family = family or max(dict.fromkeys(units), key=units.count, default="")
    for name, e in found:
        if e.family != family:
            left_out[f"{name}, {e.products[0]}"] = f"doses in {e.family}, not in {family}"
    found = [(name, e) for name, e in found if e.family == family]
    if len(found) < 3:
        raise problem(Path(folder).name, str(len(found)), "at least three products of one kind")
    return bank_of(found, source=Path(folder).name, left_out=left_out)


def bank_of(
    found: Sequence[tuple[str, EarlierPrior]], *, source: str, left_out: dict[str, str]
) -> Bank:
    """Join products by a normal hierarchy, and foretell each study by the others.

    Parameters
    ----------
    found : (study, its product).
    source : of the prior, in words; left_out : what was not used and why.
    """
    joined, between = _joined([e for _, e in found], source)
    studies = tuple(dict.fromkeys(name for name, _ in found))
    foretold = []
    for name in studies:
        others = [e for s, e in found if s != name]
        if len(others) < 3:
            continue
        new, _ = _joined(others, source)
        for _, mine in (pair for pair in found if pair[0] == name):
            sd = math.hypot(new.threshold.sd, mine.threshold.sd)
            z = (mine.threshold.mean - new.threshold.mean) / sd
            low, high = (math.exp(new.threshold.mean + k * 1.96 * sd) for k in (-1, 1))
            foretold.append(
                Foretold(study=name, product=mine.products[0],
                         found=math.exp(mine.threshold.mean),
                         predicted=math.exp(new.threshold.mean), low=low, high=high,
                         inside=abs(z) <= 1.96, z=z)
            )  # fmt: skip
    return Bank(
        prior=joined, studies=studies, products=tuple((s, e.products[0]) for s, e in found),
        between=between, foretold=tuple(foretold), left_out=left_out,
    )  # fmt: skip


def _joined(earlier: Sequence[EarlierPrior], source: str) -> tuple[EarlierPrior, float]:
    first = earlier[0]
    n = len(earlier)

    def join(moments: Sequence[Moments]) -> tuple[Moments, float]:
        return random_effects([m.mean for m in moments], [m.sd for m in moments])

    threshold, between = join([e.threshold for e in earlier])
    prior = EarlierPrior(
        source=f"{source}, {n} products", law=first.law, errors=first.errors,
        fraction=first.fraction, family=first.family,
        products=tuple(e.products[0] for e in earlier), threshold=threshold,
        shapes={k: join([e.shapes[k] for e in earlier])[0] for k in first.shapes},
        strip_spread=join([e.strip_spread for e in earlier])[0],
        spreads={
            k: math.sqrt(float(np.mean([e.spreads[k] ** 2 for e in earlier if k in e.spreads])))
            for k in SPREADS if any(k in e.spreads for e in earlier)
        },
    )  # fmt: skip
    return prior, between
