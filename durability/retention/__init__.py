"""How strong were the strips, and how much is left after each dose?

`read_curve` reads what a testing machine wrote and `reduce_curve` what it says; `with_strength`
puts both into a study. `groups` counts and averages; `retained_strength` states unexposed and
retained strength with intervals, and elongation and stiffness likewise; `directions_together`,
`against_control` and `jaw_effect` look at them from other sides. `conformance` compares with what
is required, `interlaboratory` laboratories with each other. `outliers` points at strips that stand
out; `retention_table` is what a technician reads.
"""

from durability.retention.beside import against_control
from durability.retention.conformance import Conformance, conformance
from durability.retention.curves import Curve, read_curve, read_curves
from durability.retention.directions import directions_together, worse_direction
from durability.retention.flags import FLAGS
from durability.retention.groups import groups
from durability.retention.interlaboratory import (
    Agreement,
    Laboratory,
    agreement,
    h_critical,
    interlaboratory,
    k_critical,
)
from durability.retention.jaw import JawBreak, JawEffect, jaw_breaks, jaw_effect
from durability.retention.lognormal import lognormal_mean_limit
from durability.retention.methods import (
    Departure,
    Method,
    method_departures,
    methods,
    read_method,
)
from durability.retention.outliers import Outlier, grubbs_critical, grubbs_p, outliers
from durability.retention.ratios import (
    Interval,
    fieller_interval,
    fieller_limits,
    log_ratio_interval,
    log_sum_interval,
    mean_interval,
)
from durability.retention.response import responses, with_response
from durability.retention.retained import retained_strength
from durability.retention.rule_risks import RuleRisks
from durability.retention.sample_size import interval_factor, strips_needed
from durability.retention.sections import Section, sections
from durability.retention.strength import StripCurve, strip_curves, strip_rows, with_strength
from durability.retention.strip import Strip, reduce_curve
from durability.retention.table import retention_table
from durability.retention.tolerance import share_that_holds, tolerance_factor

__all__ = [
    "FLAGS",
    "Agreement",
    "Conformance",
    "Curve",
    "Departure",
    "Interval",
    "JawBreak",
    "JawEffect",
    "Laboratory",
    "Method",
    "Outlier",
    "RuleRisks",
    "Section",
    "Strip",
    "StripCurve",
    "against_control",
    "agreement",
    "conformance",
    "directions_together",
    "fieller_interval",
    "fieller_limits",
    "groups",
    "grubbs_critical",
    "grubbs_p",
    "h_critical",
    "interlaboratory",
    "interval_factor",
    "jaw_breaks",
    "jaw_effect",
    "k_critical",
    "log_ratio_interval",
    "log_sum_interval",
    "lognormal_mean_limit",
    "mean_interval",
    "method_departures",
    "methods",
    "outliers",
    "read_curve",
    "read_curves",
    "read_method",
    "reduce_curve",
    "responses",
    "retained_strength",
    "retention_table",
    "sections",
    "share_that_holds",
    "strip_curves",
    "strip_rows",
    "strips_needed",
    "tolerance_factor",
    "with_response",
    "with_strength",
    "worse_direction",
]
