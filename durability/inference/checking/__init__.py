"""Do the strips look as the law says they should, and which law forecasts best?"""

from durability.inference.checking.last_dose import LastDose, last_dose_check
from durability.inference.checking.leave_out import (
    LeaveOneOut,
    LeftOutDose,
    leave_one_dose_out,
    leave_one_out,
)
from durability.inference.checking.pointwise import strip_log_likelihood, with_log_likelihood
from durability.inference.checking.predictive import PredictiveCheck, predictive_check

__all__ = [
    "LastDose",
    "LeaveOneOut",
    "LeftOutDose",
    "PredictiveCheck",
    "last_dose_check",
    "leave_one_dose_out",
    "leave_one_out",
    "predictive_check",
    "strip_log_likelihood",
    "with_log_likelihood",
]
