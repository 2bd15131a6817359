"""Which figures does a report hold, and what does each show in words? Captions, SVG and PNG."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.report import figures
from durability.report.headline import threshold_asked
from durability.report.look import style
from durability.report.sentences import Wording, join, strength_at
from durability.statement import Statements

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.report.results import Results
    from durability.study.model import Exposure
    from durability.translation import Translation


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """A figure with its caption and its alternative text.

    Parameters
    ----------
    name : unique in a report; letters, digits and hyphens.
    section : ``decisions``, ``evidence`` or ``budget``.
    """

    name: str
    section: str
    figure: Figure
    caption: str
    alternative: str

    def svg(self) -> str:
        """The figure as an ``<svg>`` element for a page: titled, its ids its own, no addresses."""
        from html import escape

        out = io.StringIO()
        told = self.figure.findobj(lambda artist: hasattr(artist, "pointed_at"))
        for k, artist in enumerate(told):
            artist.set_gid(f"told-{k}")
        with style():
            self.figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
        text = _with_titles(out.getvalue(), [getattr(a, "pointed_at", []) for a in told])
        text = text[text.index("<svg") :]
        text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
        head_end = text.index(">")
        box = re.search(r'viewBox="[^"]*"', text[:head_end])
        body = text[head_end + 1 :].replace("xlink:href=", "href=")
        body = re.sub(r'\bid="', f'id="{self.name}-', body)
        body = re.sub(r'\bhref="#', f'href="#{self.name}-', body)
        body = re.sub(r"url\(#", f"url(#{self.name}-", body)
        title = f'<title id="{self.name}-title">{escape(self.alternative)}</title>'
        frame = box[0] if box else ""
        return f'<svg {frame} role="img" aria-labelledby="{self.name}-title">{title}{body}'

    def png(self, dpi: int = 130) -> bytes:
        """The figure as a PNG file."""
        out = io.BytesIO()
        with style():
            self.figure.savefig(out, format="png", dpi=dpi, metadata={"Software": None})
        return out.getvalue()


_MARK = re.compile(r"<use ([^>]*)/>")


def _with_titles(text: str, told: list[list[tuple[str, str]]]) -> str:
    """Titles in the groups named told-0, told-1, ...: a browser shows them on pointing there."""
    for k, words in enumerate(told):
        start = text.find(f'<g id="told-{k}">')
        stop = text.find('<g id="', start + 1)
        group = text[start:stop] if 0 <= start < stop else ""
        if len(words) == 1:
            group_ = group.replace(">", f"{_quoted(words[0])}>{_title(words[0])}", 1)
        elif len(_MARK.findall(group)) == len(words):
            each = iter(words)
            group_ = _MARK.sub(lambda mark, each=each: _told(mark[1], next(each)), group)
        else:  # marks that lie outside are not drawn
            continue
        text = text[:start] + group_ + text[stop:] if group else text
    return text


def _told(mark: str, words: tuple[str, str]) -> str:
    return f"<use {mark}{_quoted(words)}>{_title(words)}</use>"


def _quoted(words: tuple[str, str]) -> str:
    from html import escape

    return f' data-statement="{escape(words[1])}"' if words[1] else ""


def _title(words: tuple[str, str]) -> str:
    from html import escape

    return f"<title>{escape(words[0])}</title>"


def pictures(results: Results) -> list[Picture]:
    """Every figure of a report, in order.

    Figures of the fit are left out where its diagnostics failed; the strips are always drawn.
    """
    fit = results.fit
    found = _plans(results)  # on the page before the evidence
    found += [
        _strengths(results, m, x, f"strength-{i}-{j}")
        for i, m in enumerate(fit.materials)
        for j, x in enumerate(fit.exposures(m))
        if _has_strength(results, m)
    ]
    if fit.diagnostics.ok:
        found.append(_thresholds(results.statements.where(quantity="threshold_dose")))
        if results.translations:
            found.append(_days(results))
        if len(results.translations) > 1:
            found.append(_places(results))
    found += [*_beside(results), *_last_dose(results)]
    recorded = [x for x in results.study.exposures.values() if x.record is not None]
    found += [_chamber(x, f"chamber-{i}") for i, x in enumerate(recorded)]
    if fit.diagnostics.ok:
        found += [_budget(t, f"budget-{i}") for i, t in enumerate(results.translations)]
    return found


def _has_strength(results: Results, material: str) -> bool:
    """False of a material of which only fractions are declared: no strength could be drawn."""
    model = results.fit.model
    return model.start_known is not None or any(m == material for m, _ in model.starts)


def _declared_only(results: Results, material: str) -> bool:
    study = results.study
    tables = (study.rows, study.readings, study.inspections)
    return not any(
        t is not None and "material" in t and (t["material"].values == material).any()
        for t in tables
    )


def _beside(results: Results) -> list[Picture]:
    """Strips beside controls kept without light, and curves, where there are any."""
    from durability.report.curves_figure import curve_pages
    from durability.report.strips_figure import strips_by_dose

    study, found = results.study, []
    lit = {x.control_of for x in study.exposures.values() if x.control_of}
    for i, material in enumerate(results.fit.materials):
        for j, exposure in enumerate(results.fit.exposures(material)):
            if exposure not in lit:
                continue
            what = f"Strips of {material} under {exposure} beside controls kept without light"
            found.append(
                Picture(
                    name=f"controls-{i}-{j}",
                    section="evidence",
                    figure=strips_by_dose(study, material, exposure),
                    caption=f"{what} (open squares) for the same hours; a dash is a group's mean.",
                    alternative=f"{what}, against dose; lots stand side by side at one dose.",
                )
            )
    for i, page in enumerate(curve_pages(study)):
        found.append(
            Picture(
                name=f"curves-{i}",
                section="evidence",
                figure=page,
                caption="Force against extension of every strip with a curve. A dot is the peak,"
                " the dashed line the zero reading, the shaded part the slack, a triangle a slip,"
                " a cross a jump back of the extension.",
                alternative="A small panel a strip: force against extension, its peak marked.",
            )
        )
    return found


def _chamber(exposure: Exposure, name: str) -> Picture:
    from durability.exposure import delivery
    from durability.report.chamber_figure import chamber_figure, chamber_record

    what = f"of exposure {exposure.name} against time, with a dashed line at each set point"
    judged = delivery(exposure) is not None
    caption = f"What the chamber of {exposure.name} recorded, with its set points; the first day is"
    caption += " drawn large."
    if judged:
        caption += " Pale bands are the tolerances of the practice; times without light or record"
        caption += " are shaded."
    return Picture(
        name=name,
        section="evidence",
        figure=chamber_figure(exposure) if judged else chamber_record(exposure),
        caption=caption,
        alternative=f"Irradiance, temperatures and humidity as recorded {what}.",
    )


def _strengths(results: Results, material: str, exposure: str, name: str) -> Picture:
    fit = results.fit
    level, share = f"{100 * fit.level:g} %", f"{100 * results.study.question.share:g} %"
    what = f"Strips of {material} under {exposure} against dose"
    if _declared_only(results, material):
        what = f"{material} under {exposure} against dose, of which no strip was broken"
    fitted = (
        f", with the fitted curve of the median lot and its {level} interval (dark), that of a new"
        f" lot (light), and the lower {level} limit of what {share} of single strips hold (dashed)"
        if fit.diagnostics.ok
        else "; no curve is drawn, as the fit missed its diagnostics"
    )
    directions = [d for d in fit.directions(material) if d]
    panels = f" One panel each for the {join(directions)} direction." if directions else ""
    return Picture(
        name=name,
        section="evidence",
        figure=figures.strength_by_dose(fit, material, exposure),
        caption=f"{what}{fitted}"
        + ("." if _declared_only(results, material) else "; lots stand side by side at one dose."),
        alternative=f"{what}{fitted}.{panels} The part beyond the last dose tested is shaded.",
    )


def _thresholds(said: Statements) -> Picture:
    level = f"{100 * said[0].level:g} %"
    what = f"Threshold doses with their {level} intervals"
    rows = join(dict.fromkeys(s.material or "" for s in said))
    bound = any(s.is_bound for s in said)
    arrows = "; arrows are bounds, not before or not after the mark" if bound else ""
    return Picture(
        name="thresholds",
        section="evidence",
        figure=figures.threshold_intervals(said),
        caption=f"{what}, by material, direction and subject{arrows}.",
        alternative=f"{what} for {rows}; the numbers stand in the table of threshold doses.",
    )


def _days(results: Results) -> Picture:
    w = Wording.of(results)
    q, of = threshold_asked(results), results.study.question.of
    left = strength_at(q) if q is not None else f"the required strength of {w.required}"
    assurance = f"{100 * results.study.question.assurance:g} %"
    what = f"Days by month of laying until {left} is left, {figures.OF_WORDS[of]}, worse direction"
    said = results.statements.where(quantity="outdoor_days", of=of, fraction=q)
    beside = "the median of days outdoors with its interval (open)"
    if any(s.value is None for s in said):
        bounds = (
            "where the strips do not give the threshold, the bound of days outdoors (arrow tip)"
        )
        beside = f"{beside}, or, {bounds}" if any(s.value is not None for s in said) else bounds
    return Picture(
        name="days",
        section="evidence",
        figure=figures.days_by_month(results.statements, fraction=q, of=of, titles=w.sites),
        caption=f"{what}: days to cover at {assurance} assurance (joined), and {beside}.",
        alternative=f"{what}, at {join(w.sites.values())}; the numbers stand in tables of days.",
    )


def _last_dose(results: Results) -> list[Picture]:
    from durability.report.checks_figure import last_dose_figure

    check = results.last_dose
    if check is None or not check.rows or not results.fit.diagnostics.ok:
        return []
    what = "Strength left at the last dose, found (bar) and foretold from the smaller doses"
    return [
        Picture(
            name="last-dose",
            section="evidence",
            figure=last_dose_figure([check]),
            caption=f"{what}, with {100 * check.level:g} % limits for the mean of each group.",
            alternative=f"{what}, a row a lot and direction; the numbers stand in a table.",
        )
    ]


def _plans(results: Results) -> list[Picture]:
    from durability.report.next_strips_figure import next_strips_figure

    found = results.decided.ahead.plans
    if found is None or not results.fit.diagnostics.ok:
        return []
    what = f"How wide the {100 * found.level:g} % interval is expected to be after the best plan of"
    return [
        Picture(
            name="plans",
            section="decisions",
            figure=next_strips_figure(found),
            caption=f"{what} each kind, as a factor either way; the dashed line is the interval"
            " now. In brackets, strips.",
            alternative=f"{what} each kind, as bars; the numbers stand in the table of plans.",
        )
    ]


def _places(results: Results) -> Picture:
    from durability.report.places_figure import days_by_place

    assurance = f"{100 * results.study.question.assurance:g} %"
    what = f"Whole days to cover by month of laying and site at {assurance} assurance"
    return Picture(
        name="places",
        section="evidence",
        figure=days_by_place(
            places_asked(results), titles={t.site: t.title for t in results.translations}
        ),
        caption=f"{what}, worse direction; the worst month of each site is framed, a star marks"
        " days whose threshold dose lies beyond the largest dose tested.",
        alternative=f"{what}, a panel a material; the numbers stand in the table of days.",
    )


def places_asked(results: Results) -> Statements:
    """Days to cover of the subject and fraction that the study asks about."""
    q, of = threshold_asked(results), results.study.question.of
    return results.statements.where(quantity="days_to_cover", of=of, fraction=q)


def _budget(t: Translation, name: str) -> Picture:
    laying = str(t.budget["laying"].values[0])
    what = f"What makes the days at {t.title} uncertain ({laying} of laying)"
    return Picture(
        name=name,
        section="budget",
        figure=figures.budget_bars(t, laying=laying),
        caption=f"{what}: share of each input in the variance of the logarithm of days.",
        alternative=f"{what}, as bars ordered by size; the numbers stand in the table of shares.",
    )


__all__ = ["Picture", "pictures"]
