"""DXF, read back and audited by ezdxf.

Versions and units: Autodesk, DXF Reference, header variables $ACADVER and $INSUNITS.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from sonify.export.drawing.drawing import GROUPS
from sonify.export.drawing.drawing_formats import draw
from tests.export.drawing.expected import same
from tests.nightly import nightly


@pytest.mark.parametrize("version", ["r2010", "r12"])
def test_dxf_read_by_ezdxf(way, version, tmp_path, caplog):
    import ezdxf
    from ezdxf import bbox

    drawing, wanted = way
    path = tmp_path / "a.dxf"
    path.write_bytes(draw(drawing, ".dxf", **{"dxf-version": version}))
    assert not caplog.records
    doc = ezdxf.readfile(path)
    audit = doc.audit()
    assert not audit.errors
    assert not audit.fixes
    if version == "r2010":
        assert doc.dxfversion == "AC1024"
        assert doc.header["$INSUNITS"] == 4  # millimetres
    else:
        assert doc.dxfversion == "AC1009"
    box = bbox.extents(doc.modelspace())
    assert doc.header["$EXTMIN"] == pytest.approx(tuple(box.extmin), abs=1e-9)
    assert doc.header["$EXTMAX"] == pytest.approx(tuple(box.extmax), abs=1e-9)
    found: dict[str, list] = {}
    for c in doc.modelspace().query("CIRCLE"):
        found.setdefault(c.dxf.layer, []).append((c.dxf.center.x, c.dxf.center.y, 2 * c.dxf.radius))
    assert found.keys() == wanted.keys()
    for name in wanted:
        same(found[name], wanted[name], 1e-12)
    assert {layer.dxf.name for layer in doc.layers} >= set(GROUPS)
    assert {e.dxf.layer for e in doc.modelspace()} == set(GROUPS)
    lines = doc.modelspace().query("LWPOLYLINE POLYLINE")
    drawn = [(n.group, len(n.points), n.closed) for n in drawing.lines]
    assert sorted((e.dxf.layer, len(e), e.is_closed) for e in lines) == sorted(drawn)


@nightly
def test_the_same_drawing_gives_the_same_bytes():
    make = """
import hashlib, sonify
from sonify.disc.geometry.cautions import geometry_of
from sonify.export.drawing.drawing import drawing_of
from sonify.export.drawing.drawing_formats import draw
disc = sonify.load_disc("cairn-small")
data = draw(drawing_of(disc, geometry_of(disc)[0]), ".dxf")
print(hashlib.sha256(data).hexdigest())
"""

    def by(seed: str) -> bytes:
        env = {**os.environ, "PYTHONHASHSEED": seed}
        return subprocess.run([sys.executable, "-c", make], env=env, capture_output=True).stdout

    assert len(by("1")) > 60
    assert by("1") == by("2")
