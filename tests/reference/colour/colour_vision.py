"""Series colours of the report as seen with a colour-vision deficiency, for tests in src/report/colours.rs.

Machado, Oliveira and Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency", IEEE
Transactions on Visualization and Computer Graphics 15 (2009), severity 1.0, as implemented by colorspacious 1.1.2;
distances are CIE 1976 in CIELAB (D65). Run: python3 colour_vision.py > colour_vision.json
"""
import json
import colorspacious as cs
import numpy as np

palettes = {"light": ["#0072b2", "#1b1b1b", "#b84a00"], "dark": ["#56b4e9", "#ececec", "#e69f00"]}
kinds = ["protanomaly", "deuteranomaly", "tritanomaly"]
rgb = lambda h: [int(h[i:i + 2], 16) / 255 for i in (1, 3, 5)]
out = {"source": __doc__.strip().splitlines()[2:5], "colorspacious": cs.__version__, "seen": []}
for name, colours in palettes.items():
    for kind in kinds:
        space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
        seen = [np.clip(cs.cspace_convert(rgb(c), space, "sRGB1"), 0, 1) for c in colours]
        pairs = [(0, 1), (0, 2), (1, 2)]
        lab = [cs.cspace_convert(s, "sRGB1", "CIELab") for s in seen]
        out["seen"].append({
            "palette": name, "kind": kind, "colours": colours,
            "srgb": [[round(float(v), 5) for v in s] for s in seen],
            "distance": [round(float(np.linalg.norm(lab[a] - lab[b])), 3) for a, b in pairs],
        })
print(json.dumps(out, indent=1))
