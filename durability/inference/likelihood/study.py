"""What does the likelihood say of a study? Fits each product and states its threshold doses.

One fit a product: every lot and direction has its own unexposed strength, every direction,
exposure and lot its own scale, and the shape is shared. Lots are joined by REML (`lots`), so that
the answer can be held against the Bayesian one.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.likelihood.curve import as_law
from durability.inference.likelihood.errors import Errors
from durability.inference.likelihood.interval import Interval
from durability.inference.likelihood.lots import RandomLots, random_lots
from durability.inference.likelihood.mean import SCALE, START
from durability.inference.likelihood.result import CurveFit
from durability.inference.likelihood.study_rows import (
    MARK,
    Cell,
    cells_of,
    fit_columns,
    material_columns,
)
from durability.laws import Law
from durability.statement import Statement, Statements

if TYPE_CHECKING:
    from durability.study import Study


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LikelihoodFit:
    """A study fitted by maximum likelihood.

    Parameters
    ----------
    study, law : what was fitted; level : of intervals.
    fits : product -> its `CurveFit`; problems : product -> why it could not be fitted.
    cells : what may be asked.
    """

    study: Study
    law: Law
    level: float
    fits: dict[str, CurveFit]
    problems: dict[str, str]
    cells: tuple[Cell, ...]

    @property
    def rises(self) -> bool:
        """The property grows: reciprocals were fitted."""
        return self.study.changes == "rises"

    def lots(self, fraction: float, cell: Cell) -> RandomLots | None:
        """The lots of a cell as a random sample; None for a single lot."""
        asked = 1 / fraction if self.rises else fraction
        return random_lots(self.fits[cell.material], asked, list(cell.groups))

    def threshold_dose(
        self,
        fraction: float | None = None,
        *,
        of: Literal["mean", "new_lot"] = "mean",
        material: str | None = None,
        direction: str | None = None,
        exposure: str | None = None,
        level: float | None = None,
    ) -> Statements:
        """Threshold dose of every product, direction and exposure that is left open.

        Parameters
        ----------
        fraction : of the unexposed value; the study's first threshold by default.
        of : the median lot, or a lot not yet made (where there are at least three lots).
        """
        fraction = self.study.thresholds[0] if fraction is None else fraction
        wanted = {"material": material, "direction": direction, "exposure": exposure}
        found = []
        for cell in self.cells:
            if all(w is None or getattr(cell, k) == w for k, w in wanted.items()):
                made = self._threshold(fraction, of, cell, level or self.level)
                found += [] if made is None else [made]
        return Statements(found)

    def statements(self, *, level: float | None = None) -> Statements:
        """Unexposed strength and every threshold dose."""
        level = level or self.level
        found: list[Statement] = []
        for material, fit in self.fits.items():
            found += self._starts(material, fit, level)
        for cell in self.cells:
            for fraction in self.study.thresholds:
                for of in ("mean", "new_lot"):
                    made = self._threshold(fraction, of, cell, level)
                    found += [] if made is None else [made]
            if self.study.required_strength is not None and len(cell.groups) == 1:
                made = self._required(cell, level)
                found += [] if made is None else [made]
        return Statements(found)

    def _starts(self, material: str, fit: CurveFit, level: float) -> list[Statement]:
        if "relative_to_fitted_start" in fit.flags or self.study.unit == "%":
            return []
        found = []
        for name in fit.likelihood.names:
            if name.partition("[")[0] != START:
                continue
            label = name[len(START) + 1 : -1] if "[" in name else self._only_start(material)
            lot, _, direction = label.partition(MARK)
            limits = fit.interval(name, level=level)
            value, low, high = limits.value, limits.low, limits.high
            if value is None or low is None or high is None:
                continue
            if self.rises:
                value, low, high = 1 / value, 1 / high, 1 / low
            found.append(
                Statement(
                    quantity="unexposed_strength",
                    unit=self.study.unit,
                    material=material,
                    lot=lot or None,
                    direction=direction or None,
                    value=value,
                    low=low,
                    high=high,
                    level=level,
                    kind="confidence",
                    law=self.law.name,
                    assumptions=self._assumptions(fit),
                    flags=self._flags(fit),
                )
            )
        return found

    def _only_start(self, material: str) -> str:
        fit = self.fits[material]
        return str(fit.data.partitions[START][0])

    def _required(self, cell: Cell, level: float) -> Statement | None:
        required = self.study.required_strength
        assert required is not None
        goal = 1 / required if self.rises else required
        fit = self.fits[cell.material]
        start = next(
            (
                str(s)
                for s, g in zip(fit.data.partitions[START], fit.data.partitions[SCALE], strict=True)
                if g == cell.groups[0]
            ),
            None,
        )
        if start is None:
            return None
        limits = fit.threshold_dose(level_left=goal, group=cell.groups[0], level=level)
        return self._statement(None, "mean", cell, limits, level)

    def _threshold(self, fraction: float, of: str, cell: Cell, level: float) -> Statement | None:
        fit = self.fits[cell.material]
        asked = 1 / fraction if self.rises else fraction
        if len(cell.groups) == 1:
            if of == "new_lot":
                return None
            limits = fit.threshold_dose(asked, group=cell.groups[0], level=level)
            return self._statement(fraction, of, cell, limits, level)
        lots = random_lots(fit, asked, list(cell.groups))
        if lots is None:
            return self._least_of_lots(fraction, cell, level) if of == "mean" else None
        if of == "new_lot" and len(lots.lots) < 3:
            return None
        low, high = lots.mean_limits(level) if of == "mean" else lots.new_lot_limits(level)
        limits = Interval(
            name="threshold dose",
            value=float(np.exp(lots.mean)),
            low=low,
            high=high,
            level=level,
            method="reml",
            calibration="t",
        )
        return self._statement(fraction, of, cell, limits, level)

    def _least_of_lots(self, fraction: float, cell: Cell, level: float) -> Statement | None:
        """The smallest lower bound of the lots, where they cannot be joined."""
        fit = self.fits[cell.material]
        asked = 1 / fraction if self.rises else fraction
        lows = [fit.threshold_dose(asked, group=g, level=level, sides=1).low for g in cell.groups]
        found = [low for low in lows if low is not None]
        if len(found) < len(lows):
            return None
        limits = Interval(
            name="threshold dose", value=None, low=min(found), high=None, level=level,
            method="profile", calibration="F",
        )  # fmt: skip
        return self._statement(fraction, "mean", cell, limits, level, ("lots_not_joined",))

    def _statement(
        self, fraction: float | None, of: str, cell: Cell, limits: Interval, level: float,
        more: tuple[str, ...] = (),
    ) -> Statement | None:  # fmt: skip
        from durability.inference.threshold import practice

        fit, rules = self.fits[cell.material], practice()
        flags = [*self._flags(fit), *(["one_lot"] if len(cell.lots) == 1 else []), *more]
        value, low, high = limits.value, limits.low, limits.high
        far = value is None or value > rules["extrapolation_limit"] * cell.last_dose
        far = far or high is None or high > rules["upper_limit_reach"] * cell.last_dose
        sides: Literal[1, 2] = 2
        if far:
            if low is None or not np.isfinite(low):
                return None
            low = low if more else self._one_sided(fraction, of, cell, level, low)
            value, high, sides = None, None, 1
            flags.append("lower_bound_only")
        elif low is None:
            value, sides = None, 1
            flags.append("upper_bound_only")
        elif value is not None and value < cell.first_dose:
            flags.append("before_first_dose")
        reach = next(x for x in (value, low, high) if x is not None)
        factor = float(reach / cell.last_dose)
        if factor > 1:
            flags.append("extrapolated")
        setting = self.study.exposures[cell.exposure]
        assumptions = [
            *self._assumptions(fit),
            "profile_interval" if len(cell.groups) == 1 else "lots_exchangeable",
            *(["lamp_setting"] if setting.is_radiant else []),
        ]
        return Statement(
            quantity="threshold_dose",
            unit=setting.dose_unit,
            of=of,  # type: ignore[arg-type]
            material=cell.material,
            direction=cell.direction or None,
            exposure=cell.exposure,
            fraction=fraction,
            value=value,
            low=low,
            high=high,
            level=level,
            sides=sides,
            kind="confidence" if of == "mean" else "prediction",
            law=self.law.name,
            extrapolated=factor > 1,
            extrapolation_factor=round(factor, 4),
            assumptions=tuple(assumptions),
            flags=tuple(dict.fromkeys(flags)),
        )

    def _one_sided(
        self, fraction: float | None, of: str, cell: Cell, level: float, fallback: float
    ) -> float:
        fit = self.fits[cell.material]
        if fraction is None:
            return fallback
        asked = 1 / fraction if self.rises else fraction
        if len(cell.groups) == 1:
            low = fit.threshold_dose(asked, group=cell.groups[0], level=level, sides=1).low
            return fallback if low is None else low
        lots = random_lots(fit, asked, list(cell.groups))
        assert lots is not None
        limits = lots.mean_limits if of == "mean" else lots.new_lot_limits
        return limits(level, 1)[0]

    def _assumptions(self, fit: CurveFit) -> tuple[str, ...]:
        log = fit.likelihood.errors == "lognormal"
        return ("law_form", "lognormal_scatter" if log else "normal_scatter")

    def _flags(self, fit: CurveFit) -> tuple[str, ...]:
        found = list(fit.flags)
        p = fit.lack_of_fit().p
        if p is not None and p < 0.05:
            found.append("lack_of_fit")
        return tuple(found)

    def unsaid(self) -> list[str]:
        """Thresholds of which nothing can be stated, not even a bound, in words."""
        said = {(s.material, s.direction, s.exposure, s.fraction) for s in self.threshold_dose()}
        fraction = self.study.thresholds[0]
        return [
            f"{c.material} {c.direction} {c.exposure}: the data exclude no threshold dose at"
            f" {100 * fraction:g} % under this law".replace("  ", " ")
            for c in self.cells
            if (c.material, c.direction or None, c.exposure, fraction) not in said
        ]

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        rows = [
            ("study", self.study.title),
            ("law", f"{self.law.title}: {self.law.expression}"),
            ("method", "maximum likelihood; profile limits, lots joined by REML"),
        ]
        for material, fit in self.fits.items():
            found = f"{fit.n:g} strips, AICc {fit.aicc:.5g}, {fit.lack_of_fit()!r}"
            rows.append((material, found))
        rows += [(m, f"not fitted: {why}") for m, why in self.problems.items()]
        return rows

    def __repr__(self) -> str:
        return "LikelihoodFit\n" + "\n".join(f"  {a:<7} {b}" for a, b in self.rows())

    def _repr_html_(self) -> str:
        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in self.rows()
        )
        return f"<table>{body}</table>"


def fit_study(
    study: Study | str | Path,
    *,
    law: str | Path | Law | None = None,
    errors: Errors | None = None,
    level: float | None = None,
    materials: Sequence[str] | None = None,
) -> LikelihoodFit:
    """Fit a law to every product of a study by maximum likelihood.

    Parameters
    ----------
    study : a study or its folder.
    law : name, file or `Law`; that of study.toml by default, else the stretched exponential.
    errors : scatter, see `fit_curve`; as study.toml says by default.
    level : of intervals; the study's by default.
    materials : products; all by default.

    Returns
    -------
    LikelihoodFit; a product that cannot be fitted is told in ``problems``, not fatal to the rest.

    Raises
    ------
    StudyError : no product can be fitted.
    """
    from durability.exposure import with_dose
    from durability.study import StudyError, read_study

    if isinstance(study, str | Path):
        study = read_study(study)
    from durability.inference.checking.earlier import one_law

    the_law = as_law(law) if law is not None else one_law(study)
    errors = errors or study.choices.errors
    if not isinstance(the_law, Law):
        raise ValueError(f"{the_law.name} is a free curve; a study needs a law (see fit_curve)")
    data = with_dose(study)
    fits: dict[str, CurveFit] = {}
    problems: dict[str, str] = {}
    errors_found: list[Any] = []
    cells: list[Cell] = []
    for material in materials or list(study.materials):
        columns = material_columns(study, data, material)
        if columns is None:
            continue
        try:
            fits[material] = fit_columns(the_law, columns, errors, study)
        except StudyError as error:
            problems[material] = "; ".join(str(p) for p in error.problems)
            errors_found += error.problems
            continue
        cells += cells_of(material, columns)
    if not fits:
        from durability.study import Problem

        raise StudyError(
            errors_found
            or [Problem(file="study.toml", expected="at least one exposed strip that may be used")]
        )
    return LikelihoodFit(
        study=study,
        law=the_law,
        level=level or study.question.level,
        fits=fits,
        problems=problems,
        cells=tuple(cells),
    )
