"""What did the laboratory do and find? Reads a study folder and says what is wrong with it."""

from durability.study.cautions import FLAGS
from durability.study.marked import write_marked
from durability.study.model import (
    Caution,
    Exposure,
    Material,
    ModelChoices,
    Question,
    Rules,
    Segment,
    Study,
)
from durability.study.problem import Problem, StudyError
from durability.study.reader import check_study, read_study

__all__ = [
    "FLAGS",
    "Caution",
    "Exposure",
    "Material",
    "ModelChoices",
    "Problem",
    "Question",
    "Rules",
    "Segment",
    "Study",
    "StudyError",
    "check_study",
    "read_study",
    "write_marked",
]
