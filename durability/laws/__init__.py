"""How does strength fall with dose? The catalogue of degradation laws."""

from durability.laws.expression import ExpressionError, Tape, parse
from durability.laws.law import Law, LawError, Shape, laws, read_law

__all__ = ["ExpressionError", "Law", "LawError", "Shape", "Tape", "laws", "parse", "read_law"]
