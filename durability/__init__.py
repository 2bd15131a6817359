"""How long may a fabric lie open? Threshold doses from weathering tests, read as days at a site.

    import durability

    study = durability.read_study("examples/quarry-cover")
    print(study.retention())
    fit = durability.fit(study, seed=1)
    print(fit.threshold_dose(0.5, of="new_lot"))
    there = durability.translate(fit, site="miami")
    results = durability.report("examples/quarry-cover", out="results")
    results.statements.to_frame()

Names are loaded when first used, so that ``import durability`` is instant.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "Design": "durability.study.plan",
    "CrossingFit": "durability.inference.crossing",
    "Curve": "durability.laws",
    "CurveFit": "durability.inference.likelihood",
    "Fit": "durability.inference",
    "Law": "durability.laws",
    "Problem": "durability.study",
    "Results": "durability.report",
    "Sampler": "durability.inference",
    "Statement": "durability.statement",
    "Statements": "durability.statement",
    "Study": "durability.study",
    "StudyError": "durability.study",
    "Translation": "durability.translation",
    "TranslationRefused": "durability.translation",
    "TurnbullCurve": "durability.inference.crossing",
    "chamber": "durability.exposure",
    "check_study": "durability.study",
    "conformance": "durability.retention",
    "convert_dose": "durability.exposure",
    "crossings_of": "durability.inference.crossing",
    "compare_packages": "durability.decisions",
    "compare_laws": "durability.inference.likelihood",
    "fit": "durability.inference",
    "fit_curve": "durability.inference.likelihood",
    "fit_series": "durability.inference.likelihood",
    "fit_study": "durability.inference.likelihood",
    "fit_crossings": "durability.inference.crossing",
    "fit_mixed": "durability.inference.mixed",
    "hindcast": "durability.inference.hindcast",
    "quote": "durability.report.quoting",
    "read_curve": "durability.laws",
    "interlaboratory": "durability.retention",
    "lab_to_sky": "durability.translation",
    "new_study": "durability.study.new",
    "read_law": "durability.laws",
    "read_results": "durability.report",
    "read_site": "durability.exposure",
    "read_study": "durability.study",
    "report": "durability.report",
    "sites": "durability.exposure",
    "translate": "durability.translation",
    "turnbull": "durability.inference.crossing",
    "AveragedFit": "durability.inference.averaged",
    "average_laws": "durability.inference.averaging",
    "bank_prior": "durability.inference.checking",
    "earlier_prior": "durability.inference.checking",
    "fit_with_earlier": "durability.inference.checking",
    "last_dose_check": "durability.inference.checking",
    "leave_one_dose_out": "durability.inference.checking",
    "leave_one_out": "durability.inference.checking",
    "predictive_check": "durability.inference.checking",
    "prior_predictive": "durability.inference.checking",
    "sensitivity": "durability.inference.checking",
    "verify": "durability.report.verify",
    "unpack": "durability.report.archive",
    "pack": "durability.report.archive",
    "compare_results": "durability.report.difference",
    "OpenInterval": "durability.translation.reading",
    "cover": "durability.decisions.covering",
    "exposed": "durability.decisions.exposed",
    "outdoor_equivalent": "durability.translation.equivalent",
    "lamp_hours_for": "durability.translation.equivalent",
    "measure_next": "durability.translation.measure_next",
    "next_strips": "durability.decisions.next_strips",
    "first_strips": "durability.decisions.first_strips",
    "going_on": "durability.decisions.going_on",
    "days_map": "durability.translation.days_map",
}
__all__ = [*sorted(_HOMES), "__version__"]  # pyright: ignore[reportUnsupportedDunderAll]

if TYPE_CHECKING:
    from durability.decisions import compare_packages as compare_packages
    from durability.decisions.covering import cover as cover
    from durability.decisions.exposed import exposed as exposed
    from durability.decisions.first_strips import first_strips as first_strips
    from durability.decisions.going_on import going_on as going_on
    from durability.decisions.next_strips import next_strips as next_strips
    from durability.exposure import chamber as chamber
    from durability.exposure import convert_dose as convert_dose
    from durability.exposure import read_site as read_site
    from durability.exposure import sites as sites
    from durability.inference import Fit as Fit
    from durability.inference import Sampler as Sampler
    from durability.inference import fit as fit
    from durability.inference.averaged import AveragedFit as AveragedFit
    from durability.inference.averaging import average_laws as average_laws
    from durability.inference.checking import bank_prior as bank_prior
    from durability.inference.checking import earlier_prior as earlier_prior
    from durability.inference.checking import fit_with_earlier as fit_with_earlier
    from durability.inference.checking import last_dose_check as last_dose_check
    from durability.inference.checking import leave_one_dose_out as leave_one_dose_out
    from durability.inference.checking import leave_one_out as leave_one_out
    from durability.inference.checking import predictive_check as predictive_check
    from durability.inference.checking import prior_predictive as prior_predictive
    from durability.inference.checking import sensitivity as sensitivity
    from durability.inference.crossing import CrossingFit as CrossingFit
    from durability.inference.crossing import TurnbullCurve as TurnbullCurve
    from durability.inference.crossing import crossings_of as crossings_of
    from durability.inference.crossing import fit_crossings as fit_crossings
    from durability.inference.crossing import turnbull as turnbull
    from durability.inference.hindcast import hindcast as hindcast
    from durability.inference.likelihood import CurveFit as CurveFit
    from durability.inference.likelihood import compare_laws as compare_laws
    from durability.inference.likelihood import fit_curve as fit_curve
    from durability.inference.likelihood import fit_series as fit_series
    from durability.inference.likelihood import fit_study as fit_study
    from durability.inference.mixed import fit_mixed as fit_mixed
    from durability.laws import Curve as Curve
    from durability.laws import Law as Law
    from durability.laws import read_curve as read_curve
    from durability.laws import read_law as read_law
    from durability.report import Results as Results
    from durability.report import read_results as read_results
    from durability.report import report as report
    from durability.report.archive import pack as pack
    from durability.report.archive import unpack as unpack
    from durability.report.difference import compare_results as compare_results
    from durability.report.quoting import quote as quote
    from durability.report.verify import verify as verify
    from durability.statement import Statement as Statement
    from durability.statement import Statements as Statements
    from durability.study import Problem as Problem
    from durability.study import Study as Study
    from durability.study import StudyError as StudyError
    from durability.study import check_study as check_study
    from durability.study import read_study as read_study
    from durability.study.new import new_study as new_study
    from durability.study.plan import Design as Design
    from durability.translation import Translation as Translation
    from durability.translation import TranslationRefused as TranslationRefused
    from durability.translation import lab_to_sky as lab_to_sky
    from durability.translation import translate as translate
    from durability.translation.days_map import days_map as days_map
    from durability.translation.equivalent import lamp_hours_for as lamp_hours_for
    from durability.translation.equivalent import outdoor_equivalent as outdoor_equivalent
    from durability.translation.measure_next import measure_next as measure_next
    from durability.translation.reading import OpenInterval as OpenInterval


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        module = importlib.import_module(_HOMES[name])
        return getattr(module, name)
    raise AttributeError(f"module 'durability' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
