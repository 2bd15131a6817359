"""How strong were the strips, and how much is left after each dose?

`groups` counts and averages; `retained_strength` states unexposed and retained strength with
intervals; `outliers` points at strips that stand out; `retention_table` is what a technician reads.
"""

from durability.retention.flags import FLAGS
from durability.retention.groups import groups
from durability.retention.outliers import Outlier, grubbs_critical, grubbs_p, outliers
from durability.retention.ratios import (
    Interval,
    fieller_interval,
    fieller_limits,
    log_ratio_interval,
    mean_interval,
)
from durability.retention.retained import retained_strength
from durability.retention.table import retention_table

__all__ = [
    "FLAGS",
    "Interval",
    "Outlier",
    "fieller_interval",
    "fieller_limits",
    "groups",
    "grubbs_critical",
    "grubbs_p",
    "log_ratio_interval",
    "mean_interval",
    "outliers",
    "retained_strength",
    "retention_table",
]
