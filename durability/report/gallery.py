"""Where are the figures, one a question, to put into a paper? SVG, PNG and CSV, and a page of all.

The figures of the report, and those that take longer: ratios with a margin, laws beyond the last
dose, beliefs before and after the strips, groups beside the model. Drawn when asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from durability.report import figure_data
from durability.report.figure_data import Data
from durability.report.pictures import Picture, pictures, places_asked
from durability.report.places_figure import places_data
from durability.report.sentences import join

if TYPE_CHECKING:
    from durability.report.results import Results

Progress = Callable[[str, float], None]
INDEX = "index.html"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plate:
    """A figure with the question that it answers and its data.

    Parameters
    ----------
    question : in words.
    picture : the figure, its caption and alternative text.
    data : the numbers drawn; None where they are a file of the study itself.
    """

    question: str
    picture: Picture
    data: Data | None


def plates(
    results: Results, *, margin: float | None = None, progress: Progress | None = None
) -> list[Plate]:
    """Every figure of a run, one a question.

    Parameters
    ----------
    results : of a run; where its fit missed its diagnostics, what the strips alone show.
    margin : a ratio of threshold doses worth having, above 1; None takes the study's.
    progress : called with a word and the share done.
    """
    from durability.decisions.packages import useful_margin

    tell = progress or (lambda _stage, _share: None)
    margin = useful_margin(results.study) if margin is None else margin
    tell("drawing the figures of the report", 0.0)
    found = [_of_report(results, p) for p in pictures(results)]
    if results.fit.diagnostics.ok:
        for make in (_ratios, _laws, _beliefs, _groups):
            tell(f"drawing {make.__name__.strip('_')}", 0.5)
            found += make(results, margin)
    return found


def write_figures(
    results: Results, folder: Path, *, margin: float | None = None, progress: Progress | None = None
) -> list[Path]:
    """Write every figure of a run to a folder, with a page that shows them all.

    Parameters
    ----------
    results : of a run.
    folder : made if need be; files of the same names are replaced.
    margin, progress : as `plates`.

    Returns
    -------
    list of Path : what was written: NAME.svg, NAME.png and NAME.csv of each, and ``index.html``.

    Raises
    ------
    ValueError : the folder cannot be written.
    """
    drawn = plates(results, margin=margin, progress=progress)
    texts = [p.picture.svg() for p in drawn]
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for plate, svg in zip(drawn, texts, strict=True):
            name = plate.picture.name
            files = {f"{name}.svg": _svg_file(svg).encode(),
                     f"{name}.png": plate.picture.png(dpi=200)}  # fmt: skip
            if plate.data is not None:
                files[f"{name}.csv"] = plate.data.to_csv().encode()
            for file, content in files.items():
                (folder / file).write_bytes(content)
                written.append(folder / file)
        (folder / INDEX).write_text(gallery_page(results, drawn, svgs=texts), encoding="utf-8")
    except OSError as error:
        raise ValueError(f"{folder.name} cannot be written ({error.strerror})") from error
    return [*written, folder / INDEX]


def gallery_page(results: Results, drawn: list[Plate], *, svgs: list[str] | None = None) -> str:
    """All figures on one page, each under its question.

    Parameters
    ----------
    results : whose figures they are.
    drawn : see `plates`.
    svgs : of each figure, where the page lies beside their files, to which it then links.
    """
    from markupsafe import Markup

    from durability.report.html import environment

    shown = [
        {
            "question": p.question,
            "name": p.picture.name,
            "svg": Markup(svg),  # Picture.svg escapes all text of the study
            "caption": p.picture.caption,
            "data": p.data is not None,
        }
        for p, svg in zip(drawn, svgs or [p.picture.svg() for p in drawn], strict=True)
    ]
    page = (
        environment()
        .get_template("gallery.html.j2")
        .render(study=results.study, plates=shown, linked=svgs is not None)
    )
    return page.lstrip() + "\n"


def _svg_file(svg: str) -> str:
    text = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + text


def _of_report(results: Results, p: Picture) -> Plate:
    """A picture of the report with its question and data, by its name."""
    kind, *numbers = p.name.split("-")
    said, fit, study = results.statements, results.fit, results.study
    data: Data | None = None
    question = "What was found?"
    if kind == "strength":
        material = fit.materials[int(numbers[0])]
        exposure = fit.exposures(material)[int(numbers[1])]
        question = f"How does the strength of {material} fall with dose, and how sure is it?"
        data = figure_data.strength_data(fit, material, exposure)
    elif kind == "thresholds":
        question = "At what dose is a fraction left?"
        data = figure_data.statement_data(said.where(quantity="threshold_dose"))
    elif kind == "days":
        question = "By when must it be covered, by month of laying?"
        days = said.where(lambda s: s.quantity in ("days_to_cover", "outdoor_days"))
        data = figure_data.statement_data(days)
    elif kind == "places":
        question = "Where and when must it be covered by when?"
        data = places_data(places_asked(results))
    elif kind == "plans" and results.decided.ahead.plans is not None:
        question = "What should be tested next?"
        data = figure_data.plan_data(results.decided.ahead.plans)
    elif kind == "last" and results.last_dose is not None:
        question = "Would the smaller doses have foretold the last one?"
        units = {x.name: x.dose_unit for x in study.exposures.values()}
        data = figure_data.last_dose_data(results.last_dose, units)
    elif kind == "controls":
        question = "What did strips lose that were kept without light?"
    elif kind == "curves":
        question = "How did each strip break?"
    elif kind == "chamber":
        recorded = [x for x in study.exposures.values() if x.record is not None]
        exposure_ = recorded[int(numbers[0])]
        question = f"Did the chamber of {exposure_.name} run as it should?"
        data = figure_data.chamber_data(exposure_)
    elif kind == "budget":
        there = results.translations[int(numbers[0])]
        question = f"What makes the days at {there.title} uncertain?"
        data = figure_data.budget_data(there)
    return Plate(question=question, picture=p, data=data)


def _ratios(results: Results, margin: float) -> Iterator[Plate]:
    from durability.report.ratio_figure import ratio_intervals

    said = results.statements.where(quantity="ratio_of_threshold_doses")
    if not said:
        return
    control = results.study.question.control
    level = f"{100 * said[0].level:g} %"
    what = f"Ratios of threshold doses to {control or 'the control'} with {level} intervals"
    picture = Picture(
        name="ratios",
        section="evidence",
        figure=ratio_intervals(said, margin=margin, control=control),
        caption=f"{what}; the pale band is what counts as alike, within a factor of {margin:g}.",
        alternative=f"{what} for {join(dict.fromkeys(s.material or '' for s in said))}, on a"
        " logarithmic axis; the numbers stand in the table of comparisons.",
    )
    yield Plate(
        question="Which product lasts longer, and by how much?", picture=picture,
        data=figure_data.statement_data(said),
    )  # fmt: skip


def _laws(results: Results, _margin: float) -> Iterator[Plate]:
    from durability.inference.likelihood import compare_laws
    from durability.report.laws_figure import laws_figure

    if results.study.changes == "rises" or not results.study.thresholds:
        return
    tables = [t for t in compare_laws(results.study) if t.rows]
    for i, table in enumerate(tables):
        what = f"{table.name}: every law fitted to the strips by likelihood"
        picture = Picture(
            name=f"laws-{i}",
            section="evidence",
            figure=laws_figure(table),
            caption=f"{what}, and how the laws part beyond the last dose (shaded). ΔAICc counts"
            " from the best; laws within 2 of it are not told apart by these strips.",
            alternative=f"{what}: fraction left against dose up to twice the last dose tested.",
        )
        yield Plate(
            question=f"How far do the laws agree on {table.name}?", picture=picture,
            data=figure_data.law_data(table),
        )  # fmt: skip


def _beliefs(results: Results, _margin: float) -> Iterator[Plate]:
    from durability.inference.checking import prior_predictive
    from durability.report.belief_figure import belief_figure

    belief = prior_predictive(results.fit, seed=results.fit.seed)
    if not any(r.after is not None and r.median > 0 for r in belief.rows):
        return
    what = "Median and 95 % limits of each quantity before the strips (dashed) and after them"
    picture = Picture(
        name="beliefs",
        section="evidence",
        figure=belief_figure(belief),
        caption=f"{what}, as multiples of the prior’s median. Where both look alike, the strips"
        " have taught nothing. What lies below a hundredth is drawn there.",
        alternative=f"{what}, on a logarithmic axis.",
    )
    yield Plate(
        question="What did the strips teach?", picture=picture,
        data=figure_data.belief_data(belief),
    )  # fmt: skip


def _groups(results: Results, _margin: float) -> Iterator[Plate]:
    from durability.inference.checking import predictive_check
    from durability.report.checks_figure import predictive_figure

    check = predictive_check(results.fit)
    for statistic, words in (("mean", "mean"), ("cv", "scatter")):
        if not check.of(statistic):
            continue
        what = f"The {words} of each group of strips beside what the model draws again"
        picture = Picture(
            name=f"groups-{statistic}",
            section="evidence",
            figure=predictive_figure(check, statistic),
            caption=f"{what}, relative to the model’s median; thick bars hold 50 %, thin ones 95 %."
            " Filled dots lie outside.",
            alternative=f"{what}, a row a group.",
        )
        yield Plate(
            question=f"Does the {words} of the groups look as the model says?", picture=picture,
            data=figure_data.predictive_data(check, statistic),
        )  # fmt: skip


__all__ = ["Plate", "gallery_page", "plates", "write_figures"]
