"""Makes `known_truth` importable here too."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
