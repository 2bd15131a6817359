"""How is a study worked in Python? Cell by cell, from strips to a decision.

Run it whole with ``uv run python examples/in_python.py``, or cell by cell in an editor that knows
``# %%``. The study is invented; it takes about half a minute.
"""

# %% Read the study; every problem of its folder comes at once, with file, row and column.
from pathlib import Path

import durability

here = Path(__file__).parent
study = durability.read_study(here / "quarry-cover")
print(study)

# %% What was measured, before any model: strength, and what is left of it, with confidence limits.
measured = study.retention()
print(measured.where(material="B", direction="cross"))

# %% Fit a law to every strip at once. The fit shows its model, its sampler and its diagnostics.
fit = durability.fit(study, law="stretched-exponential", seed=1)
print(fit)
assert fit.diagnostics.ok, "a fit that missed its diagnostics is not quoted"

# %% The dose at which half is left: of the median lot, of a lot not yet made, of single strips.
for of in ("mean", "new_lot", "single_specimen"):
    print(fit.threshold_dose(0.5, of=of, material="A", direction="cross"))

# %% Draws are arrays with names: any question that was not foreseen can be asked of them.
draws = fit.threshold_draws(0.5, of="new_lot", material="A", direction="cross", exposure="X1")
print(f"half is left beyond 1000 kJ/(m² nm) with probability {(draws > 1000).mean():.2f}")

# %% They open in xarray and ArviZ.
tree = fit.to_datatree()
print(list(tree.children))

# %% Which package lasts longer, by a factor worth having? What does being wrong cost?
comparison = durability.compare_packages(fit, "B", margin=1.2)
print(comparison)

# %% Days at a site, month by month, and what makes them uncertain.
there = durability.translate(fit, site="miami", of="new_lot", fractions=(0.5,))
print(there)
for material, laying, cause, share in there.budget_rows()[:4]:
    print(f"{material}, {laying}: {cause} makes {100 * share:.0f} % of the variance of log days")

# %% Days to cover, beside those that the doses tested bear out.
cover = durability.cover(fit, site="miami", assurance=0.95)
print(cover)

# %% Does the answer hang on the law? Hide the last dose and foretell it.
check = durability.last_dose_check(fit, short=True)
print(check)

# %% Sentences to copy, with what they lean on, come from a whole report: `durability.report`
# writes one, `durability.quote` takes its results. Statements are a table, too.
print(fit.statements().to_frame().head())
