"""How does strength fall with dose? The catalogue of degradation laws, and free curves."""

from durability.laws.curve import Curve, Parameter, is_curve_file, read_curve
from durability.laws.expression import ExpressionError, Tape, parse
from durability.laws.fields import LawError
from durability.laws.law import Law, Shape
from durability.laws.law_file import laws, read_law, read_law_or_curve

__all__ = [
    "Curve",
    "ExpressionError",
    "Law",
    "LawError",
    "Parameter",
    "Shape",
    "Tape",
    "is_curve_file",
    "laws",
    "parse",
    "read_curve",
    "read_law",
    "read_law_or_curve",
]
