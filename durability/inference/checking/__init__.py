"""Do the strips look as the law says, which law forecasts best, and what do the priors do?"""

from durability.inference.checking.bank import Bank, bank_prior
from durability.inference.checking.earlier import (
    EarlierPrior,
    earlier_prior,
    earlier_prior_for,
    fit_with_earlier,
    weights_of,
)
from durability.inference.checking.last_dose import LastDose, last_dose_check
from durability.inference.checking.leave_out import (
    LeaveOneOut,
    LeftOutDose,
    leave_one_dose_out,
    leave_one_out,
)
from durability.inference.checking.outlying import Contamination, contamination
from durability.inference.checking.pointwise import strip_log_likelihood, with_log_likelihood
from durability.inference.checking.predictive import PredictiveCheck, predictive_check
from durability.inference.checking.prior_predictive import PriorPredictive, prior_predictive
from durability.inference.checking.sensitivity import Sensitivity, sensitivity

__all__ = [
    "Bank",
    "Contamination",
    "EarlierPrior",
    "LastDose",
    "LeaveOneOut",
    "LeftOutDose",
    "PredictiveCheck",
    "PriorPredictive",
    "Sensitivity",
    "bank_prior",
    "contamination",
    "earlier_prior",
    "earlier_prior_for",
    "fit_with_earlier",
    "last_dose_check",
    "leave_one_dose_out",
    "leave_one_out",
    "predictive_check",
    "prior_predictive",
    "sensitivity",
    "strip_log_likelihood",
    "weights_of",
    "with_log_likelihood",
]
