"""How was it found? Law, priors, sampling, inputs of the translation, budget, and the record.

Everything is read from the fit, the translations and the files of models/; nothing is computed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.report.tables import Table, table
from durability.translation.plane import lying_words

if TYPE_CHECKING:
    from durability.exposure import Assumption
    from durability.report.results import Results
    from durability.translation import Translation


def prior_table(results: Results) -> Table:
    """The priors: those of models/priors.toml, with what earlier studies changed."""
    from durability.inference.checking.prior_predictive import changed_book

    rows = []
    for name, p in changed_book(results.fit.model).items():
        spread = "; ".join(
            f"{'sd of the logarithm' if k == 'sd_log' else k.replace('_', ' ')} {v}"
            for k, v in p.items()
            if k not in ("reason", "source")
        )
        rows.append((name.replace("_", " "), spread, str(p.get("reason", "")), str(p["source"])))
    caption = (
        "Priors: what is believed before the strips are seen. Those of data that the study does not"
        " have play no part."
    )
    return table(caption, ("of", "prior", "why", "source"), rows)


def law_rows(results: Results) -> list[tuple[str, str]]:
    """The law with its shape, use, limits and source."""
    law = results.fit.model.law
    rows = [("law", law.title), ("fraction left", law.expression),
            ("dose of a fraction q", law.inverse_expression or "by root finding")]  # fmt: skip
    rows += [
        (f"shape {s.name}",
         f"{s.meaning}; prior median {s.median:g}, sd of log {s.sd_log:g} ({s.reason})")
        for s in law.shapes
    ]  # fmt: skip
    return [*rows, ("use", law.use), ("limits", law.limits), ("source", law.source)]


def sampler_rows(results: Results) -> list[tuple[str, str]]:
    """How the posterior was drawn, and whether it may be quoted."""
    fit, d = results.fit, results.fit.diagnostics
    return [
        ("strips", f"{fit.model.n_strips} that carry information"),
        ("draws", f"{d.draws} kept, in {fit.posterior.sizes['chain']} chains, seed {fit.seed}"),
        ("R-hat, largest", f"{d.rhat:.4f} ({d.rhat_of})"),
        ("effective draws, least",
         f"{d.ess_bulk:.0f} in the bulk ({d.ess_bulk_of}), {d.ess_tail:.0f} in the tails"
         f" ({d.ess_tail_of})"),
        ("divergences", str(d.divergences)),
        ("energy fraction, least", f"{d.energy:.2f}"),
        ("sampled again", "yes, with smaller steps" if d.retried else "no"),
        ("verdict", "may be quoted" if d.ok else "; ".join(d.problems())),
    ]  # fmt: skip


def input_table(results: Results) -> Table | None:
    """The uncertain numbers that translations draw, with their sources."""
    from durability import catalogue
    from durability.exposure import delivery, material_assumptions

    if not results.translations:
        return None
    study = results.study
    inputs = {(i.name, i.value): i for t in results.translations for i in t.inputs}
    rows = [(i.name.replace("_", " "), _spread(i), i.why, i.source) for i in inputs.values()]
    translated = {m: x for t in results.translations for m, x in t.exposures.items()}
    for polymer in dict.fromkeys(study.materials[m].polymer or "unknown" for m in translated):
        for name, i in material_assumptions(polymer).items():
            if name not in ("activation_energy", "reciprocity_exponent"):
                continue
            told = f"{name}[{polymer}]" in results.fit.posterior
            why = "Informed by this study; shown is the prior. " if told else ""
            rows.append((f"{name.replace('_', ' ')}, {polymer}", _spread(i), why + i.why, i.source))
    for name in dict.fromkeys(translated.values()):
        lamp = delivery(study.exposures[name])
        if lamp is None:
            continue
        used = study.exposures[name].lamp
        source = f"models/lamps/{used}.toml" if used else "study.toml"
        if used:
            source += f": {catalogue.read('lamps', used)['source']}"
        where = "the chamber record" if lamp.from_record else "the set point"
        rows.append(
            (f"dose of the lamp, {name}", f"1, sd of the logarithm {lamp.log_sd:g}",
             f"Calibration and position; the dose itself is read from {where}.",
             "study.toml" if study.exposures[name].irradiance_uncertainty is not None else source)
        )  # fmt: skip
        rows.append(
            (f"specimen under the lamp, {name}",
             f"{lamp.temperature:.1f} ± {lamp.temperature_sd:.1f} °C",
             "Mean while lit, weighted by dose; between chamber air and black panel.", source)
        )  # fmt: skip
    return table("Uncertain inputs of the translation: value ± standard deviation.",
                 ("input", "value", "what it does", "source"), rows)  # fmt: skip


def _spread(i: Assumption) -> str:
    return str(i).replace("+-", "±")


def site_rows(results: Results, t: Translation) -> list[tuple[str, str]]:
    """What a translation says of its site, and how the fabric was taken to lie there."""
    lies = lying_words(results.study.question) or "flat on open ground"
    said = [(a, b) for a, b in t.summary_rows() if a not in ("leans on", "fabric")]
    return [*said[:1], ("fabric", lies), *said[1:]]


def budget_sentences(results: Results) -> list[str]:
    """For each site and material, the input that makes the days most uncertain."""
    from durability.translation import BUDGET_INPUTS

    found = []
    for t in results.translations:
        laying = str(t.budget["laying"].values[0])
        largest: dict[str, tuple[str, float]] = {}
        for m, lay, name, share in t.budget_rows():
            if lay == laying and name != "remainder" and m not in largest:
                largest[m] = (name, share)
        for m, (name, share) in largest.items():
            found.append(
                f"At {t.title}, for {m} ({laying}), the largest share of the variance of log days,"
                f" {100 * share:.0f} %, comes from: {BUDGET_INPUTS.get(name, name)}."
            )
    return found


def budget_table(results: Results) -> Table | None:
    """Shares of the variance of log days, one row an input and laying."""
    from durability.report.figures import REST
    from durability.translation import BUDGET_INPUTS

    rows = []
    for t in results.translations:
        shares = {(m, lay, n): s for m, lay, n, s in t.budget_rows()}
        for lay in dict.fromkeys(k[1] for k in shares):
            for n in dict.fromkeys(k[2] for k in shares if k[1] == lay):
                cells = [
                    f"{100 * shares[(m, lay, n)]:.1f}" if (m, lay, n) in shares else ""
                    for m in results.fit.materials
                ]
                rows.append((t.title, lay, BUDGET_INPUTS.get(n, REST), *cells))
    if not rows:
        return None
    return table("Share of each input in the variance of log days [%].",
                  ("site", "laying", "input", *results.fit.materials), rows, labels=3)  # fmt: skip


def made(results: Results) -> str:
    """When the run was made, to the minute."""
    from datetime import datetime

    return f"{datetime.fromisoformat(str(results.provenance['created'])):%Y-%m-%d %H:%M} UTC"


def record_rows(results: Results) -> list[tuple[str, str]]:
    """What the run can be repeated and verified by."""
    p = results.provenance
    rows = [("version", f"durability {p['version']}"), ("made", made(results))]
    rows += [(name, str(p[name])) for name in ("seed", "law", "errors")]
    rows += [(f"sampler, {k}", str(v)) for k, v in p["settings"].items()]
    rows.append(("libraries", ", ".join(f"{k} {v}" for k, v in p["libraries"].items())))
    return rows


def entered_table(results: Results) -> Table | None:
    """Quantities that were converted: how each column was written, and what it became."""
    import numpy as np

    entered = results.study.entered
    if entered is None or not entered.sizes["cell"]:
        return None
    names = ("file", "column", "unit", "into")
    keys = list(zip(*(entered[n].values.astype(str).tolist() for n in names), strict=True))
    rows = []
    for key in dict.fromkeys(keys):
        mine = [i for i, k in enumerate(keys) if k == key]
        file, column, unit, into = key
        text, value = str(entered["text"].values[mine[0]]), float(entered["value"].values[mine[0]])
        line = int(np.min(entered["line"].values[mine]))
        where = f"row {line}" if line else "a key"
        rows.append(
            (file, column, str(len(mine)), f"{text} [{unit}], {where}", f"{value:.6g} {into}")
        )
    return table(
        "Quantities that were converted, as they were entered; the first of each column is shown.",
        ("file", "column", "cells", "as entered", "became"),
        rows, labels=2,
    )  # fmt: skip


def hash_table(results: Results) -> Table:
    """SHA-256 of inputs and model files."""
    p = results.provenance
    rows = [("input", name, h) for name, h in p["inputs"].items()]
    rows += [("models/", name, h) for name, h in p["models"].items()]
    return table("Files read, with their SHA-256.", ("kind", "file", "SHA-256"), rows, labels=2)
