"""Mistakes are planted by syntax trees, and small programs in C are compiled."""

import shutil
import sys
from pathlib import Path

import pytest

pytest.importorskip("tree_sitter", reason="mistakes need the extra 'mutants' (tree-sitter)")
pytest.importorskip("cffi", reason="programs in C need the extra 'firmware' (cffi)")
if shutil.which("cc") is None or shutil.which("gcov") is None:
    pytest.skip("needs a C compiler and its gcov (apt install gcc)", allow_module_level=True)
TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "firmware")]
