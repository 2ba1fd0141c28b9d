"""The scripts of the folder `supply`, as modules."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

SUPPLY = Path(__file__).resolve().parents[2] / "supply"
sys.path.insert(0, str(SUPPLY))

audit_locks = importlib.import_module("audit_locks")
package_contents = importlib.import_module("package_contents")
