"""What may be decided? Days to cover, comparison with a control, and the whole answer.

`answer` gives every statement of a study; `cover_statements` those of one site, of which
`best_and_worst_month` picks two a subject and `worst_month` one; `assured` the lower limits at
several assurances; `compare` the ratios to a control; `compare_packages` every pair, the best and
its price, as `Decision` records; `decided` gathers the decisions of a study.
What assumptions and flags mean is in `EXPLANATIONS`.
"""

from durability.decisions.answer import answer
from durability.decisions.assured import ASSURANCES, assured
from durability.decisions.compare import compare
from durability.decisions.cover import best_and_worst_month, cover_statements, worst_month
from durability.decisions.decided import Decided, decided
from durability.decisions.decision import Decision
from durability.decisions.packages import PackageComparison, compare_packages
from durability.translation.explanations import EXPLANATIONS, explain

__all__ = [
    "ASSURANCES",
    "EXPLANATIONS",
    "Decided",
    "Decision",
    "PackageComparison",
    "answer",
    "assured",
    "best_and_worst_month",
    "compare",
    "compare_packages",
    "cover_statements",
    "decided",
    "explain",
    "worst_month",
]
