"""What the other rooms' tests are made of serves here too."""

import shutil

import pytest
import rooms  # noqa: F401 - it adds their folders to the path

pytest.importorskip("greenlet", reason="scripts need the extra 'firmware' (greenlet)")
pytest.importorskip("cffi", reason="sketches need the extra 'firmware' (cffi)")
if shutil.which("c++") is None:
    pytest.skip("sketches need a C++ compiler (apt install g++)", allow_module_level=True)
