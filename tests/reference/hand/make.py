"""How a hand strays, by scikit-learn and statsmodels; writes hand.json: python3 make.py

Needs numpy, scikit-learn (Matérn kernel, nu = 1.5) and statsmodels (generalised least squares, mixed model); the versions tried
are in the JSON. Two rows of a wavy line are drawn from the process itself with a known hand. Given are places, normals and how far
off the line lies; told are, for each reach and each share that places have by themselves, minus twice the logarithm of the
restricted likelihood (up to what is the same for all) and the standard deviation at which it is greatest. The restricted likelihood
is taken by its definition: the likelihood of the part of the data that no place of the rows can explain, by a basis of the null space
(scipy.linalg.null_space), with the covariance of scikit-learn's kernel. The rows' own places at one reach and share: statsmodels' GLS.
"""

import json
import pathlib

import numpy as np
import scipy
import sklearn
import statsmodels
import statsmodels.api as sm
from scipy.linalg import block_diag, null_space
from sklearn.gaussian_process.kernels import Matern

REACHES_MM = [15.0, 30.0, 60.0, 120.0, 240.0]
OWN_SHARES = [0.1, 0.3, 0.6]
SPREAD_MM, REACH_MM, OWN_MM = 0.6, 60.0, 0.2


def covariance(row, reach_mm, own):
    """Of how far off the places lie, when the whole variance is 1."""
    kernel = Matern(length_scale=reach_mm, nu=1.5)(row["arc"][:, None])
    alike = row["normal"] @ row["normal"].T
    return (1 - own) * kernel * alike + own * np.diag(row["own"] ** 2)


def unknowns(row):
    middle, half = (row["along"][0] + row["along"][-1]) / 2, abs(row["along"][-1] - row["along"][0]) / 2
    x = (row["along"] - middle) / half
    nx, ny = row["normal"].T
    return np.stack([nx, nx * x, ny, ny * x, ny * x * x], 1)


def draw(rng, count):
    arc = np.cumsum(rng.choice([12.0, 12.0, 12.0, 60.0], count))
    angle = np.cos(arc / 50.0) * 1.3
    row = {
        "arc": arc,
        "along": arc * 0.55,
        "normal": np.stack([-np.sin(angle), np.cos(angle)], 1) * rng.uniform(0.9, 1.0, count)[:, None],
        "own": rng.uniform(0.7, 1.6, count),
    }
    total = SPREAD_MM**2 + OWN_MM**2
    share = OWN_MM**2 / total
    row["off"] = rng.multivariate_normal(np.zeros(count), total * covariance(row, REACH_MM, share)) + unknowns(row) @ [0.4, 0.1, -0.8, 0.5, 0.3]
    return row


def main():
    rng = np.random.default_rng(20)
    rows = [draw(rng, 150), draw(rng, 110)]
    x = block_diag(*[unknowns(row) for row in rows])
    off = np.concatenate([row["off"] for row in rows])
    basis = null_space(x.T)
    rest = basis.T @ off
    fits = []
    for reach in REACHES_MM:
        for own in OWN_SHARES:
            whole = block_diag(*[covariance(row, reach, own) for row in rows])
            left = basis.T @ whole @ basis
            squares = float(rest @ np.linalg.solve(left, rest))
            cost = float(np.linalg.slogdet(left)[1]) + len(rest) * np.log(squares)
            gls = sm.GLS(off, x, sigma=whole).fit()
            # statsmodels' own estimate of the same standard deviation.
            assert abs(gls.scale * len(rest) / squares - 1) < 1e-9
            fits.append({"reach_mm": reach, "own": own, "cost": cost, "spread_mm": float(np.sqrt(gls.scale))})
    best = min(fits, key=lambda f: f["cost"])
    listed = [{k: np.round(v, 9).tolist() for k, v in row.items()} for row in rows]
    versions = {"numpy": np.__version__, "scipy": scipy.__version__, "scikit-learn": sklearn.__version__, "statsmodels": statsmodels.__version__}
    out = {"made_with": versions, "drawn_with": {"spread_mm": SPREAD_MM, "reach_mm": REACH_MM, "own_mm": OWN_MM}, "rows": listed, "fits": fits, "best": best}
    pathlib.Path(__file__).with_name("hand.json").write_text(json.dumps(out) + "\n")
    print(best)


if __name__ == "__main__":
    main()
