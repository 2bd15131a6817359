"""What is a translation, once made? Draws of days to each threshold, and what they lean on."""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from durability.statement import MONTHS
from durability.translation.plane import direction_named

if TYPE_CHECKING:
    import xarray

    from durability.exposure import Assumption
    from durability.statement import Subject
    from durability.study.model import Caution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Translation:
    """Days outdoors at one site until fractions of the strength are left, as draws.

    Parameters
    ----------
    site, title : name of the site and its title.
    exposures : material to the exposure its threshold dose was read from.
    days : draws of days [d], dims (material, direction, of, fraction, month, draw); inf is not
        reached within the horizon, nan a direction that the material does not have.
    annual : the site's yearly ultraviolet on the plane, corrected and with its uncertainty:
        ``uv_300_400`` [MJ/m²] and ``e340`` [kJ/(m² nm)] along ``limit`` (low, median, high).
    effective_temperature : constant specimen temperature [degC] that, with the same irradiance,
        would do the same damage in a year, at the median inputs; dims (material,).
    budget : ``share`` of the variance of log days, dims (material, laying, input), with
        ``variance``, ``left_out`` (share of draws without finite days) and ``month`` along
        (material, laying), and which ``direction`` along material; attrs ``of``, ``fraction``.
    laying : ``"every month"`` or the date.
    tilt, azimuth : plane of the fabric [degrees]; 0 lies flat, 180 faces south.
    horizon_years : years counted.
    share : share of strips that still hold, for single strips.
    level : probability carried by two-sided intervals.
    inputs : the uncertain inputs drawn, with their sources.
    cautions, assumptions : what to know; names that `durability.translation.explain` explains.
    seed : seed of the draws.
    """

    site: str
    title: str
    exposures: dict[str, str]
    days: xarray.DataArray
    annual: xarray.Dataset
    effective_temperature: xarray.DataArray
    budget: xarray.Dataset
    laying: str
    tilt: float
    azimuth: float
    horizon_years: float
    share: float
    level: float
    inputs: tuple[Assumption, ...]
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...]
    seed: int

    @property
    def exposure(self) -> str:
        """The exposure, or the exposures, that the threshold doses were read from."""
        return ", ".join(dict.fromkeys(self.exposures.values()))

    @property
    def horizon_days(self) -> float:
        """The longest time counted [d]."""
        return self.horizon_years * 365.0

    def subjects(self) -> list[tuple[str, str, Subject, float | None]]:
        """(material, direction, of, fraction) of every subject that has draws, in order.

        The fraction None stands for the study's required strength.
        """
        import numpy as np

        here = ~np.isnan(self.days.isel(month=0, draw=0).values)
        names = [self.days[n].values for n in ("material", "direction", "of", "fraction")]
        return [
            (
                str(names[0][m]),
                str(names[1][d]),
                cast("Subject", str(names[2][o])),
                None if np.isnan(names[3][q]) else float(names[3][q]),
            )
            for m, d, o, q in np.argwhere(here)
        ]

    def draws(
        self, material: str, direction: str, of: Subject, fraction: float | None
    ) -> xarray.DataArray:
        """Days of one subject, dims (month, draw) [d]."""
        import numpy as np

        known = self.days["fraction"].values
        at = np.flatnonzero(np.isnan(known) if fraction is None else known == fraction)
        if at.size != 1:
            raise LookupError(f"fraction {fraction} is not among {known.tolist()}")
        return self.days.isel(fraction=int(at[0])).sel(
            material=material, direction=direction, of=of
        )

    def rows(self) -> list[tuple[str, ...]]:
        """One row a subject and month: (subject, month, median, low), worst month and best."""
        import numpy as np

        tail = (1 - self.level) / 2
        table = []
        for material, direction, of, fraction in self.subjects():
            draws = self.draws(material, direction, of, fraction).values
            low, middle = np.quantile(draws, [tail, 0.5], axis=1, method="lower")
            order = np.lexsort((middle, low))
            left = "required strength" if fraction is None else f"{100 * fraction:g} %"
            label = " ".join(x for x in (material, direction, of, left) if x)
            for i in dict.fromkeys((int(order[0]), int(order[-1]))):
                month = MONTHS[int(self.days.month[i]) - 1]
                table.append((label, month, _days(middle[i]), _days(low[i])))
        return table

    def budget_rows(self) -> list[tuple[str, str, str, float]]:
        """(material, laying, input, share) for every share of the budget, largest first."""
        import math

        rows = []
        for material in self.budget.material.values:
            for laying in self.budget.laying.values:
                shares = self.budget["share"].sel(material=material, laying=laying)
                named = [
                    (str(n), float(s))
                    for n, s in zip(shares.input.values, shares.values, strict=True)
                ]
                parts = sorted((x for x in named if x[0] != "remainder"), key=lambda x: -x[1])
                parts += [x for x in named if x[0] == "remainder"]
                rows += [(str(material), str(laying), n, s) for n, s in parts if not math.isnan(s)]
        return rows

    def to_dataset(self) -> xarray.Dataset:
        """Everything as one xarray Dataset of plain types, for netCDF."""
        import json

        import xarray

        budget = self.budget.rename({name: f"budget_{name}" for name in self.budget.data_vars})
        annual = self.annual.rename({name: f"annual_{name}" for name in self.annual.data_vars})
        data = xarray.merge(
            [
                self.days.rename("days"),
                annual,
                self.effective_temperature.rename("effective_temperature"),
                budget,
            ],
            join="outer",
            combine_attrs="drop",
        )
        data.attrs = {
            "site": self.site,
            "title": self.title,
            "exposures": json.dumps(self.exposures),
            "laying": self.laying,
            "tilt": self.tilt,
            "azimuth": self.azimuth,
            "horizon_years": self.horizon_years,
            "share": self.share,
            "level": self.level,
            "seed": self.seed,
            "assumptions": " ".join(self.assumptions),
            "cautions": json.dumps([c.text for c in self.cautions]),
            "budget_of": str(self.budget.attrs["of"]),
            "budget_fraction": float(self.budget.attrs["fraction"]),
        }
        return data

    def _plane(self) -> str:
        sloping = f"slope {self.tilt:g}°, facing {direction_named(self.azimuth)}"
        ground = "on the ground" if "on_ground" in self.assumptions else "on a rack"
        return f"{sloping if self.tilt else 'flat'}, {ground}"

    def summary_rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        uv = self.annual["uv_300_400"]
        low, middle, high = (float(uv.sel(limit=x)) for x in ("low", "median", "high"))
        return [
            ("site", f"{self.title} ({self.site})"),
            ("fabric", self._plane()),
            ("yearly UV", f"{middle:.0f} MJ/m² in 300-400 nm ({low:.0f} to {high:.0f})"),
            ("read from", self.exposure),
            ("laying", self.laying),
            ("leans on", ", ".join(self.assumptions)),
        ]

    def __repr__(self) -> str:
        lines = ["Translation"]
        lines += [f"  {a:<10} {b}" for a, b in self.summary_rows()]
        lines += [
            f"  {label}, laid in {month}: median {middle} days, "
            f"{100 * (1 + self.level) / 2:g} % sure of {low}"
            for label, month, middle, low in self.rows()
        ]
        lines += [f"  caution: {c.text}" for c in self.cautions]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        head = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>"
            for a, b in self.summary_rows()
        )
        body = "".join(
            "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>"
            for row in self.rows()
        )
        names = ("subject", "laid in", "median days", f"{100 * (1 + self.level) / 2:g} % sure of")
        titles = "".join(f"<th>{html.escape(name)}</th>" for name in names)
        return f"<table>{head}</table><table><tr>{titles}</tr>{body}</table>"


def _days(number: float) -> str:
    return "beyond the horizon" if number == float("inf") else f"{number:.3g}"


__all__ = ["Translation"]
