"""Makes chain.dxf and chain.json: the same chain of entities as a DXF file and as points by ezdxf.

Source of the values: ezdxf (see "made_with" in chain.json), its path module's flattening.
Run in this folder: python3 make.py
"""
import json
import ezdxf
from ezdxf import path

doc = ezdxf.new("R2000")
doc.header["$INSUNITS"] = 1  # inches
msp = doc.modelspace()
# One repeat of 10 in: line, bulged polyline, arc, spline, and a block with a line and a circle's half.
msp.add_line((0, 0), (1, 0.5))
msp.add_lwpolyline([(1, 0.5, 0, 0, 0.6), (3, 0.5, 0, 0, -0.3), (4, 1.0, 0, 0, 0)])
msp.add_arc((4.5, 1.0), 0.5, 180, 0)
msp.add_open_spline([(5, 1), (5.5, 3), (6.5, -1), (7, 1.5), (7.5, 0.5)], degree=3)
block = doc.blocks.new("tail", base_point=(1, 1))
block.add_line((1, 1), (1.5, 1.4))
block.add_polyline2d([(1.5, 1.4, 0, 0, 0.2), (2.0, 0.6, 0, 0, 0)], format="xyseb")
msp.add_blockref("tail", (7.5, 0.5), dxfattribs={"xscale": 2.5, "yscale": 1.25, "rotation": 0})
doc.header["$HANDSEED"] = "FFFF"
doc.saveas("chain.dxf")

points = []
def add(entity):
    points.append([[p.x, p.y] for p in path.make_path(entity).flattening(0.0005)])
for entity in msp:
    if entity.dxftype() == "INSERT":
        for part in entity.virtual_entities():
            add(part)
    else:
        add(entity)
json.dump({"made_with": "ezdxf " + ezdxf.__version__, "unit": "in", "pieces": points}, open("chain.json", "w"))
