"""Pictures of lines with known places, what ridge filters of general libraries make of them, and autocorrelations.

    pip install numpy scipy scikit-image statsmodels ridge-detection pillow
    python3 make.py            # writes line.json, wavy_plain.png and wavy_noisy.png beside itself

Sources: C. Steger, "An unbiased detector of curvilinear structures", IEEE TPAMI 20(2), 1998, for bars and their
bias; scikit-image (sato, meijering, hessian_matrix) and the package ridge-detection for lines in pictures;
statsmodels for autocorrelations and long-run variances. The versions that made the fixture stand in it.
"""

import importlib.metadata
import json
import pathlib

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.optimize import minimize_scalar
from scipy.stats import norm
from skimage.feature import hessian_matrix, hessian_matrix_eigvals
from skimage.filters import meijering, sato
import statsmodels.api as sm
from statsmodels.tsa.stattools import acf

HERE = pathlib.Path(__file__).parent
WIDTH, HEIGHT, SIGMA = 240, 160, 1.5
# Side of a pixel in which the bars are drawn: it smooths by its own width.
BAR_PIXEL_MM = 0.3


def bars():
    """Bars 0 | 1 | a of half width w, smoothed by sigma: bend in the middle and the places three rules give, mm."""
    cases = []
    for w in (0.2, 0.35, 0.6, 1.0):
        for filter_sigma in (0.6, 1.1, 1.8):
            sigma = np.hypot(filter_sigma, BAR_PIXEL_MM / np.sqrt(12))
            for a in (0.0, 0.1, 0.3, 0.5):
                g1 = lambda x: -x / sigma**2 * norm.pdf(x, scale=sigma)
                r1 = lambda x: norm.pdf(x + w, scale=sigma) - (1 - a) * norm.pdf(x - w, scale=sigma)
                r2 = lambda x: g1(x + w) - (1 - a) * g1(x - w)
                # Steger's closed form for the zero of the slope, and the place of the strongest bend.
                slope = -(sigma**2) / (2 * w) * np.log(1 - a)
                assert abs(r1(slope)) < 1e-12
                bend = minimize_scalar(r2, bounds=(-sigma, sigma), method="bounded", options={"xatol": 1e-10}).x
                # Beside a high step the flank bends more than the line does: no line to speak of.
                flank = r2(np.linspace(-5, 5, 2001)).max()
                if abs(slope) > sigma or flank > 0.8 * -r2(bend):
                    continue
                cases.append({"half_width_mm": w, "sigma_mm": filter_sigma, "sigma_with_pixel_mm": sigma, "step": a, "slope_place_mm": slope,
                              "bend_place_mm": bend, "bend_at_middle": r2(0.0)})
    return cases


def truth(x):
    return 80.3 + 14 * np.sin(2 * np.pi * (x - 5) / 120)


def picture(contrast, noise, seed):
    """A wavy line, light on grey; pixel centres are whole numbers here. 9 × 9 samples a pixel, blurred by 0.7 px."""
    fine = 9
    at = (np.arange(WIDTH * fine) + 0.5) / fine - 0.5
    xs = np.linspace(-20, WIDTH + 20, 6000)
    y = (np.arange(HEIGHT * fine) + 0.5) / fine - 0.5
    out = np.zeros((HEIGHT * fine, WIDTH * fine), np.float32)
    for i, x in enumerate(at):
        near = xs[np.abs(xs - x) < 12]
        distance = np.full(len(y), 9.0)
        close = np.abs(y - truth(x)) < 8
        distance[close] = np.hypot(near[None] - x, truth(near)[None] - y[close][:, None]).min(1)
        out[:, i] = distance <= 1.2
    light = out.reshape(HEIGHT, fine, WIDTH, fine).mean((1, 3))
    light = 110 + contrast * gaussian_filter(light, 0.7)
    light += np.random.default_rng(seed).normal(0, noise, light.shape) if noise else 0
    return np.clip(np.round(light), 0, 255).astype(np.uint8)


def on_curve():
    x = np.arange(20.0, WIDTH - 20.0, 0.5)
    slope = 14 * 2 * np.pi / 120 * np.cos(2 * np.pi * (x - 5) / 120)
    n = np.stack([-slope, np.ones_like(x)]) / np.hypot(1, slope)
    return x, truth(x), n


def along_normals(response):
    """Place of the largest response along the curve's normals, px, within 4 px."""
    x, y, n = on_curve()
    t = np.arange(-4, 4.01, 0.25)
    values = map_coordinates(response, [y[:, None] + t * n[1][:, None], x[:, None] + t * n[0][:, None]], order=3)
    k = np.clip(values.argmax(1), 1, len(t) - 2)
    i = np.arange(len(k))
    a, b, c = values[i, k - 1], values[i, k], values[i, k + 1]
    return t[k] + 0.25 * np.clip(0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-12), -0.5, 0.5)


def ridge_package(image):
    from ridge_detection.lineDetector import LineDetector

    config = {
        "path_to_file": "picture",
        "mandatory_parameters": {"Sigma": SIGMA, "Lower_Threshold": 1.0, "Upper_Threshold": 2.0,
                                 "Maximum_Line_Length": 0, "Minimum_Line_Length": 20, "Darkline": "LIGHT",
                                 "Overlap_resolution": "NONE"},
        "optional_parameters": {"Line_width": 2.4, "High_contrast": 200, "Low_contrast": 50},
        "further_options": {"Correct_position": False, "Estimate_width": False, "doExtendLine": True,
                            "Show_junction_points": False, "Show_IDs": False, "Display_results": False,
                            "Preview": False, "Make_Binary": False, "save_on_disk": False},
    }
    lines = LineDetector(params=config).detectLines(Image.fromarray(image))
    lines = lines if isinstance(lines, list) else lines[0]
    points = np.array([[c, r] for line in lines for c, r in zip(line.col, line.row)], float)
    points = points[(points[:, 0] > 20) & (points[:, 0] < WIDTH - 20)]
    slope = 14 * 2 * np.pi / 120 * np.cos(2 * np.pi * (points[:, 0] - 5) / 120)
    off = (points[:, 1] - truth(points[:, 0])) / np.hypot(1, slope)
    near = np.abs(off) < 4
    return {"rms_px": float(np.sqrt((off[near] ** 2).mean())) if near.any() else None,
            "points_on_the_line": int(near.sum()), "points_elsewhere": int((~near).sum())}


def pictures():
    out = []
    for name, contrast, noise in (("wavy_plain", 60, 0.0), ("wavy_noisy", 16, 8.0)):
        image = picture(contrast, noise, 11)
        Image.fromarray(image).save(HERE / f"{name}.png", optimize=True)
        grey = image.astype(float)
        hessian = hessian_matrix(grey, sigma=SIGMA, order="rc", use_gaussian_derivatives=True)
        responses = {
            "sato": sato(grey, [SIGMA], black_ridges=False),
            "meijering": meijering(grey, [SIGMA], black_ridges=False),
            "hessian": -hessian_matrix_eigvals(hessian)[1],
        }
        rms = {k: float(np.sqrt((along_normals(v) ** 2).mean())) for k, v in responses.items()}
        try:
            package = ridge_package(image)
        except Exception as why:  # the package is young and says little
            package = {"failed": f"{type(why).__name__}: {why}"}
        out.append({"file": f"{name}.png", "contrast": contrast, "noise": noise, "rms_px": rms,
                    "ridge_detection": package})
    return out


def autocorrelations():
    """Series like a hand's deviations: autocorrelations, and the variance of their mean against independence."""
    out = []
    rng = np.random.default_rng(5)
    n = 1500
    for name, step in (("independent", 1), ("first order 0.7", 1), ("first order 0.93", 3), ("gaussian 12", 3)):
        noise = rng.normal(size=n + 400)
        if name == "independent":
            x = noise[:n]
        elif name.startswith("first"):
            phi = float(name.split()[-1])
            x = np.zeros(n + 400)
            for i in range(1, n + 400):
                x[i] = phi * x[i - 1] + noise[i] * np.sqrt(1 - phi**2)
            x = x[400:]
        else:
            d = np.arange(-60, 61)
            kernel = np.exp(-2 * (d / 12.0) ** 2)
            x = np.convolve(noise, kernel / np.sqrt((kernel**2).sum()), "same")[200 : 200 + n]
        x = np.round(0.6 * x, 6)
        holes = rng.choice(n, 90, replace=False) if name == "first order 0.7" else np.array([], int)
        x[holes] = np.nan
        rho = acf(x, nlags=299, adjusted=True, fft=False, missing="conservative")
        # Long-run variance of every step-th value (Newey and West 1987, Bartlett weights) over their variance.
        every = x[~np.isnan(x)][::step]
        lags = int(60 / step)
        fit = sm.OLS(every, np.ones_like(every)).fit(cov_type="HAC", cov_kwds={"maxlags": lags})
        out.append({"name": name, "step": step, "values": [None if np.isnan(v) else float(v) for v in x],
                    "acf": [float(r) for r in rho[:121]],
                    "newey_west_inflation": float(fit.bse[0] ** 2 * len(every) / every.var())})
    return out


if __name__ == "__main__":
    versions = {p: importlib.metadata.version(p)
                for p in ("numpy", "scipy", "scikit-image", "statsmodels", "ridge-detection", "pillow")}
    fixture = {"versions": versions, "bars": bars(), "pictures": pictures(), "autocorrelations": autocorrelations()}
    (HERE / "line.json").write_text(json.dumps(fixture) + "\n")
    print(versions)
    print(len(fixture["bars"]), "bars")
    for p in fixture["pictures"]:
        print({k: v for k, v in p.items()})
    for a in fixture["autocorrelations"]:
        print(a["name"], a["acf"][:5], a["newey_west_inflation"])
