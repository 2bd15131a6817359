"""Where and when may it lie open how long?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from durability.cli.app import command, errors_in_words
from durability.cli.fitted import fitted, gate
from durability.cli.groups import without
from durability.cli.lying import Lying
from durability.cli.options import Asked, Fitting, Folder, Material, Told, subject_named

SAID = (
    "study", "material", "direction", "of", "fraction", "assurance", "laying", "tilt", "azimuth",
    "horizon", "light", "on_ground", "snow_cover", "counted", "horizon_years", "draws", "climate",
    "invented", "comment",
)  # fmt: skip
"""Attributes of a map that the command repeats; its file holds all of them."""


@command(
    name="map",
    epilog="Example:  durability map examples/quarry-cover --invented --netcdf days.nc"
    " --figure days.png",
)
def days_map(
    study: Folder,
    *,
    climate: Annotated[
        Path | None,
        typer.Option(
            "--climate",
            help="netCDF grid of ghi [W/m^2] and temp_air [degC], by month or by hour (UTC).",
        ),
    ] = None,
    invented: Annotated[
        bool, typer.Option("--invented", help="Take an invented climate instead, to try it.")
    ] = False,
    netcdf: Annotated[
        Path | None, typer.Option("--netcdf", help="Write the map here, .nc.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", help="Draw the map here: .png or .svg.")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option("--cluster", help="Address of a dask scheduler.")
    ] = None,
    material: Material = None,
    asked: Annotated[Asked, without("share")],
    lying: Annotated[Lying, without("site", "measured_uv")],
    fitting: Annotated[Fitting, without("level")],
    told: Told,
) -> None:
    """Days outdoors and days to cover over a gridded climate, by month of laying."""
    with errors_in_words(told.json):
        from durability.translation.days_map import days_map as mapped
        from durability.translation.days_map import invented_climate, read_climate
        from durability.translation.plane import counted

        if (climate is None) != invented:
            raise ValueError("give --climate FILE, or --invented to try one")
        subject = subject_named(asked.of)
        grid = read_climate(climate) if climate is not None else invented_climate()
        made, _ = fitted(lying.asked(fitting.read(study)), fitting, None, told.quiet)
        gate(made)
        found = mapped(
            counted(made), grid, material=material, of=subject, fraction=asked.required,
            assurance=asked.assurance, cluster=cluster,
        )  # fmt: skip
        try:
            if netcdf is not None:
                found.to_netcdf(netcdf, engine="h5netcdf")
        except OSError as error:
            raise ValueError(f"{netcdf} cannot be written ({error.strerror})") from error
        if figure is not None:
            from durability.report.law_figure import save_picture
            from durability.report.map_figure import days_map_figure

            save_picture(days_map_figure(found), figure)
        cover = found["cover"]
        said = {
            **{name: found.attrs[name] for name in SAID if name in found.attrs},
            "cells": int(found.sizes["latitude"] * found.sizes["longitude"]),
            "least_days_to_cover": None if cover.isnull().all() else float(cover.min()),
            "most_days_to_cover": None if cover.isnull().all() else float(cover.max()),
            "netcdf": None if netcdf is None else str(netcdf),
            "figure": None if figure is None else str(figure),
        }
        if not told.document(said):
            for key, value in said.items():
                if value is not None:
                    print(f"{key.replace('_', ' ')}: {value}")
