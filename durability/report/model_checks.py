"""What did the strips say of the model, and did it foretell its own last dose? Tables and words.

Everything is read from the fit and from the check of the last dose; nothing is computed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from durability.report.tables import Table, table

if TYPE_CHECKING:
    from durability.inference.learned import WhatWasLearned
    from durability.report.results import Results

_CHOSEN = {
    "product": "by product",
    "shared": "one for all products",
    "pooled": "by product about a common centre",
}


def model_rows(results: Results) -> list[tuple[str, str]]:
    """How shapes, scatter, products and priors were asked for, and what must be known of it."""
    model = results.fit.model
    structure = model.structure
    lines = model.line.size > 0
    about = dict.fromkeys(c.subject for c in model.columns if c.name == "covariate")
    products = "apart, each with a wide prior"
    if lines:
        products = "about a common level"
        products += f" and a line in {', '.join(about)}" if about else ""
    rows = [
        ("shape of the law", _CHOSEN[structure.shape]),
        ("scatter of strips", _CHOSEN[structure.spread]),
        ("threshold doses of products", products),
    ]
    rows += [("note", note[:1].upper() + note[1:] + ".") for note in _notes(results)]
    return rows + [("weight of earlier studies", w) for w in earlier_weights(results)]


def _notes(results: Results) -> tuple[str, ...]:
    """What must be known of the model, and what the exposures cannot tell of a clock."""
    told = _learned(results)
    return results.fit.model.notes if told is None else told.notes


def _learned(results: Results) -> WhatWasLearned | None:
    """What the strips said beyond the priors; None where it may not be quoted."""
    fit = results.fit
    return fit.learned() if fit.diagnostics.ok and "linear" in fit.posterior else None


def earlier_weights(results: Results) -> list[str]:
    """The weight that earlier studies had in each threshold dose they speak of, in sentences."""
    from durability.inference.checking import weights_of

    return [w.words() for w in weights_of(results.fit)] if results.fit.diagnostics.ok else []


def learned_table(results: Results) -> Table | None:
    """Parameters of clocks, directions and covariates before and after the strips."""
    told = _learned(results)
    if told is None:
        return None
    rows = []
    for i in told:
        unit = "" if i.unit == "1" else f" {i.unit}"
        apart = f"{i.confused_with} ({i.correlation:+.2f})" if i.confused_with else ""
        rows.append(
            (f"{i.name.replace('_', ' ')}, {i.subject}".rstrip(", "),
             f"{i.prior_mean:.3g} ± {i.prior_sd:.2g}{unit}", f"{i.value:.3g}{unit}",
             f"{i.low:.3g} to {i.high:.3g}", f"{100 * i.narrowing:.0f} %", f"{i.shift:+.1f}", apart)
        )  # fmt: skip
    if not rows:
        return None
    return table(
        "What the strips said of clocks, directions and covariates. Width after 100 %: they said"
        " nothing, and the prior speaks. Moved: in standard deviations of the prior.",
        ("of", "prior", "found", f"{100 * results.fit.level:g} % interval", "width after / before",
         "moved", "not told apart from"),
        rows,
    )  # fmt: skip


def last_dose_table(results: Results) -> Table | None:
    """The strips of the last dose, hidden, beside what the other doses foretold."""
    check = results.last_dose
    if check is None or not check.rows:
        return None
    rows = []
    for r in check.rows:
        of = results.study.exposures[r.exposure].dose_unit
        rows.append(
            (r.material, r.lot, r.direction, r.exposure, f"{r.dose:.4g} {of}", str(r.strips),
             f"{100 * r.found:.1f}", f"{100 * r.predicted:.1f}",
             f"{100 * r.low:.1f} to {100 * r.high:.1f}", "yes" if r.held else "no")
        )  # fmt: skip
    return table(
        "Strips of the last dose, hidden from the fit: strength left [% of unexposed], found and"
        " foretold from the smaller doses.",
        ("material", "lot", "direction", "exposure", "dose", "strips", "found", "foretold",
         f"{100 * check.level:g} % limits", "inside"),
        rows, labels=4,
    )  # fmt: skip


def last_dose_words(results: Results) -> str | None:
    """What came of hiding the last dose, and how it was drawn."""
    check = results.last_dose
    if check is None:
        return None
    few = ", ".join(check.skipped)
    left = f" Exposures of fewer than three doses were left as they are: {few}." if few else ""
    if not check.rows:
        return check.verdict()
    return f"{check.verdict()}{left} This check was drawn with short chains."


def outlying(results: Results) -> tuple[str, Table | None] | None:
    """Whether the answer hangs on a few strips, and which; None without single strips."""
    found = results.outlying
    if found is None or not found.n_strip:
        return None
    head, *rows = found.table()
    named = table("Strips that lie out of the scatter of their lot.", head, rows) if rows else None
    return found.verdict(), named


def to_record(results: Results) -> dict[str, Any]:
    """What results.json says under ``fit``: notes, earlier studies, what was learned, outliers."""
    told = _learned(results)
    return {
        "notes": list(_notes(results)),
        "earlier": earlier_weights(results),
        "learned": [] if told is None else told.to_list(),
        "outlying": None if results.outlying is None else results.outlying.to_dict(),
    }
