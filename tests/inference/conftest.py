"""Makes `known_truth` importable by the tests of this room, however pytest is started."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
