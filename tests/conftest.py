"""Puts tests/ on the import path, so that tests can import ``reference_rows``."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
