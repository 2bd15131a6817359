"""How strong is each group, how was it exposed, and does it conform?"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import command, errors_in_words, keep
from durability.cli.options import Folder, Level, Told
from durability.terminal import (
    RETENTION,
    print_cautions,
    print_chamber,
    print_json,
    print_table,
    shown,
    title_of,
)

if TYPE_CHECKING:
    from durability.study.model import Study


@command(epilog="Example:  durability chamber examples/quarry-cover --band '300-400 nm'")
def chamber(
    study: Folder,
    *,
    band: Annotated[
        str | None, typer.Option("--band", help="Also read doses in another control band.")
    ] = None,
    spectrum: Annotated[
        str | None,
        typer.Option("--spectrum", help="Spectrum for --band: a name or file; the lamp's own."),
    ] = None,
    control: Annotated[
        str | None, typer.Option("--control", help="A material hung in every run: compare runs.")
    ] = None,
    figures: Annotated[
        Path | None, typer.Option("--figures", help="Folder for a figure of each record.")
    ] = None,
    told: Told,
) -> None:
    """What the chamber records say: dose, tolerances, interruptions, drift, temperature."""
    with errors_in_words(told.json):
        from durability.exposure import chambers, departures, read_in_band, run_check
        from durability.study import read_study

        read = read_study(study)
        found = chambers(read)
        left = [d for x in read.exposures.values() for d in departures(x)]
        runs = run_check(read, control) if control is not None else None
        if not found and runs is None:
            raise ValueError(
                "no exposure of this study has a chamber record of a radiant dose; name its file "
                "under record in study.toml"
            )
        other = [] if band is None else [
            read_in_band(c, read.exposures[c.exposure], band, spectrum) for c in found
        ]  # fmt: skip
        document = {
            "chambers": [c.to_dict() for c in found],
            "departures": [d.to_dict() for d in left],
            "in_band": [c.to_dict() for c in other],
            "runs": None if runs is None else runs.to_dict(),
        }
        keep(document, told.out)
        if figures is not None:
            from durability.report.chamber_figure import write_chambers

            write_chambers(read, found, figures)
        if told.json:
            print_json(document)
            return
        for i, c in enumerate(found):
            print_chamber(c, other[i] if other else None)
        if left:
            print("Departures from the practice:")
            for d in left:
                print(f"  {d}")
        if runs is not None:
            print(runs)
        if not told.quiet:
            print_cautions([caution for c in found for caution in c.cautions])


@command(epilog="Example:  durability retention examples/quarry-cover --level 0.9")
def retention(
    study: Folder,
    *,
    level: Level = None,
    interval: Annotated[
        str, typer.Option("--interval", help="log_ratio or fieller, of a ratio of means.")
    ] = "log_ratio",
    response: Annotated[
        str, typer.Option("--of", help="strength, elongation or stiffness.")
    ] = "strength",
    within: Annotated[
        float | None,
        typer.Option("--within", help="Also: strips needed for an interval within ×/÷ this."),
    ] = None,
    figures: Annotated[
        Path | None, typer.Option("--figures", help="Also draw strips and curves, into a folder.")
    ] = None,
    told: Told,
) -> None:
    """Strength and retained strength of every group of strips, with intervals."""
    with errors_in_words(told.json):
        from typing import cast

        from durability.retention import (
            retained_strength,
            retention_table,
            sections,
            with_strength,
        )
        from durability.retention.response import Response
        from durability.retention.retained import Method
        from durability.study import read_study

        read = with_strength(read_study(study))
        level = level or read.question.level
        how, what = cast(Method, interval), cast(Response, response)
        rows = retention_table(read, level=level, method=how, response=what)
        statements = retained_strength(read, level=level, method=how, response=what)
        under = sections(read, level=level, response=what, within=within)
        document = {
            "table": rows,
            "statements": statements.to_list(),
            "sections": {s.name: s.to_dict() for s in under},
        }
        keep(document, told.out)
        if figures is not None:
            from durability.report.strips_figure import save_retention_figures

            drawn = save_retention_figures(read, figures, response=what)
        if told.json:
            print_json(document)
            return
        print(title_of(read.title, read.invented))
        words = read.property if what == "strength" else what
        print(f"{words}; intervals are {100 * level:g} % confidence intervals\n")
        print_table(list(RETENTION), [shown(row) for row in rows])
        for section in under:
            print(f"\n{section.title}")
            print_table(list(section.columns), [list(row) for row in section.rows])
        if figures is not None:
            print(f"\nFigures: {', '.join(str(f) for f in drawn)}")
        if not told.quiet:
            print_cautions(read.cautions)


@command(
    epilog='Example:  durability conformance examples/quarry-cover --retained 0.5 --after "600 h"'
)
def conformance(
    study: Folder,
    *,
    after: Annotated[
        str, typer.Option("--after", help="The withdrawal: '500 h', or a dose of its exposure.")
    ],
    retained: Annotated[
        float | None, typer.Option("--retained", help="Required fraction left, such as 0.5.")
    ] = None,
    strength: Annotated[
        str | None, typer.Option("--strength", help="Or a required strength, such as '8 kN/m'.")
    ] = None,
    share: Annotated[
        float | None,
        typer.Option("--share", help="With --strength: share of single strips to hold it."),
    ] = None,
    exposure: Annotated[
        str | None, typer.Option("--exposure", help="Which exposure, where several reach there.")
    ] = None,
    assurance: Annotated[
        float | None, typer.Option("--assurance", help="For a verdict; the study's if left out.")
    ] = None,
    told: Told,
) -> None:
    """Pass, fail or undecided against a requirement, with probability, guard bands and risks."""
    with errors_in_words(told.json):
        from durability.retention import conformance as compare
        from durability.retention import with_strength
        from durability.study import read_study
        from durability.units import converted, measure, unit

        read = with_strength(read_study(study))
        place = withdrawal_of(after, read)
        needed = None
        if strength is not None:
            asked = measure(strength, unit(read.unit).dimension)
            needed = converted(asked.number, asked.unit, unit(read.unit))
        found = compare(
            read, retained=retained, strength=needed, share=share, exposure=exposure,
            assurance=assurance, **place,
        )  # fmt: skip
        document = {"conformance": [c.to_dict() for c in found]}
        if told.document(document):
            return
        print(title_of(read.title, read.invented), "\n", sep="")
        for c in found:
            print(c.sentence())
            if c.risks is not None and not told.quiet:
                print(f"    The usual rule {'accepts' if c.rule_accepts else 'refuses'} it. "
                      f"{c.risks.sentence()}")  # fmt: skip
        if not told.quiet:
            print_cautions(read.cautions)


def withdrawal_of(text: str, study: Study, option: str = "--after") -> dict[str, float]:
    """``"500 h"`` as hours, anything else as a dose in the unit of its exposure."""
    from durability.units import UNITS, UnitError, measure

    number = text.split()[0] if text.split() else ""
    try:
        read = measure(text)
    except UnitError:
        try:
            return {"dose": float(number)}
        except ValueError:
            raise ValueError(f"{option} {text!r} is no withdrawal, such as '500 h'") from None
    if read.unit.dimension == "time":
        return {"hours": read.canonical / UNITS["h"].factor}
    spectral = read.unit.dimension.endswith("wavelength")
    scales = [
        x.dose_scale
        for x in study.exposures.values()
        if x.is_radiant and x.band is not None and ("-" in x.band) != spectral
    ]
    return {"dose": read.canonical / (scales[0] if scales else 1.0)}


@command(epilog="Example:  durability interlaboratory results.csv")
def interlaboratory(
    source: Annotated[
        Path,
        typer.Argument(help="Study folder, or a table of material, laboratory and value [unit]."),
    ],
    *,
    told: Told,
) -> None:
    """Repeatability, reproducibility and consistency (h and k) of several laboratories."""
    with errors_in_words(told.json):
        from durability.retention import interlaboratory as compare
        from durability.retention.interlaboratory import FLAGS as words
        from durability.study import read_study

        found = compare(read_study(source) if source.is_dir() else source)
        document = {"agreement": [a.to_dict() for a in found]}
        if told.document(document):
            return
        for a in found:
            first = a.laboratories[0]
            print(f"{a.sentence()}\ncritical at 0.5 %: h {first.h_critical:.2f}, "
                  f"k {first.k_critical:.2f}")  # fmt: skip
            columns = ["laboratory", "n", "mean", "s", "h", "k", "stands out by"]
            print_table(columns, [list(row) for row in a.rows()])
            if not told.quiet:
                for flag in a.flags:
                    print(f"caution: {words[flag]}", file=sys.stderr)
            print()
