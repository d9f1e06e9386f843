"""Reference values for the learning modules, made with numpy, scipy and statsmodels.

Run: python3 make.py > computed.json   (versions are written into the file)
"""

import json
import sys

import numpy as np
import scipy
import statsmodels
from scipy import linalg, stats
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW
from statsmodels.regression.linear_model import OLS
from statsmodels.tools import add_constant


def kalman():
    """Three-state form (drift, gap, bias) with the gap measured, plain matrix recursion."""
    advance_sd, measurement_u, prior_sd = 0.9, 0.35, 1.2
    gaps = [1.1, -0.2, None, 1.9, 0.4, 0.8]
    trims = [0.0, -0.5, -0.5, -1.0, 0.0, -0.25]
    f = np.array([[1.0, 0.0, 1.0], [0.0, 0.0, 1.0], [0.0, 0.0, 1.0]])
    g = np.array([1.0, 1.0, 0.0])
    q = advance_sd**2 * np.outer(g, g)
    h = np.array([[0.0, 1.0, 0.0]])
    x, p = np.zeros(3), np.diag([0.0, 0.0, prior_sd**2])
    steps, loglik = [], 0.0
    for y, u in zip(gaps, trims):
        x = f @ x + g * u
        p = f @ p @ f.T + q
        if y is not None:
            s = (h @ p @ h.T)[0, 0] + measurement_u**2
            nu = y - (h @ x)[0]
            k = (p @ h.T)[:, 0] / s
            x = x + k * nu
            p = p - np.outer(k, k) * s
            loglik += stats.norm.logpdf(nu, scale=np.sqrt(s))
        steps.append({"drift": x[0], "bias": x[2], "var_drift": p[0, 0], "cov": p[0, 2], "var_bias": p[2, 2]})
    return {"advance_sd": advance_sd, "measurement_u": measurement_u, "prior_sd": prior_sd,
            "gaps": gaps, "trims": trims, "steps": steps, "log_likelihood": loglik}


def riccati():
    """State (drift d, what the newest gap was meant to be g), control m: d' = d + m, g' = m;
    cost (m - g)^2 + q d'^2, written out in d, g and m."""
    out = []
    for q in [0.005, 0.02, 0.1, 1.0]:
        a, b = np.diag([1.0, 0.0]), np.ones((2, 1))
        cost, control, cross = np.diag([q, 1.0]), np.array([[1.0 + q]]), np.array([[q], [-1.0]])
        p = linalg.solve_discrete_are(a, b, cost, control, s=cross)
        k = np.linalg.solve(control + b.T @ p @ b, b.T @ p @ a + cross.T)[0]
        out.append({"q": q, "drift": k[0], "meant": -k[1]})
    # Finite horizon: the whole quadratic programme solved at once by least squares, no recursion.
    finite = []
    for q, end, n, d, g in [(0.02, 2.0, 5, 4.0, 0.0), (0.0, 2.0, 3, -3.0, 1.0), (0.1, 10.0, 8, 1.0, -2.0)]:
        # unknowns m_0..m_{n-1}; d_k = d + sum_{j<k} m_j
        rows, rhs = [], []
        for j in range(n):
            e = np.zeros(n); e[j] = 1.0
            if j > 0:
                e[j - 1] = -1.0
            rows.append(e); rhs.append(g if j == 0 else 0.0)
        for k in range(1, n + 1):
            w = np.sqrt(end if k == n else q)
            e = np.zeros(n); e[:k] = w
            rows.append(e); rhs.append(-w * d)
        m, *_ = np.linalg.lstsq(np.array(rows), np.array(rhs), rcond=None)
        finite.append({"q": q, "end": end, "rows": n, "drift": d, "meant": g, "moves": list(m)})
    return {"stationary": out, "finite": finite}


def intervals():
    rng = np.random.default_rng(20261125)
    x = np.round(0.7 + 1.3 * rng.standard_normal(15), 3)
    t = stats.t.ppf(0.975, len(x) - 1)
    s = x.std(ddof=1)
    lo, hi = DescrStatsW(x).tconfint_mean()
    chi = stats.chi2.ppf([0.975, 0.025], len(x) - 1)
    trend = OLS(x, add_constant(np.arange(1.0, len(x) + 1))).fit()
    tlo, thi = trend.conf_int()[1]
    return {"x": list(x), "mean": x.mean(), "mean_low": lo, "mean_high": hi, "t": t, "sd": s,
            "sd_low": s * np.sqrt((len(x) - 1) / chi[0]), "sd_high": s * np.sqrt((len(x) - 1) / chi[1]),
            "slope": trend.params[1], "slope_low": tlo, "slope_high": thi}


def welch():
    rng = np.random.default_rng(7)
    cases = []
    for na, nb, shift, sb in [(12, 12, 1.0, 1.0), (5, 9, -2.0, 2.0), (30, 7, 0.3, 0.5)]:
        a = np.round(rng.standard_normal(na), 3)
        b = np.round(shift + sb * rng.standard_normal(nb), 3)
        t = stats.ttest_ind(b, a, equal_var=False)
        lo, hi = CompareMeans(DescrStatsW(b), DescrStatsW(a)).tconfint_diff(usevar="unequal")
        ratio = b.std(ddof=1) / a.std(ddof=1)
        f = stats.f.ppf([0.975, 0.025], nb - 1, na - 1)
        cases.append({"without": list(a), "with": list(b), "t": t.statistic, "p": t.pvalue, "df": t.df,
                      "low": lo, "high": hi, "sd_ratio": ratio,
                      "sd_ratio_low": ratio / np.sqrt(f[0]), "sd_ratio_high": ratio / np.sqrt(f[1])})
    return cases


def power():
    solver = TTestIndPower()
    return {"power_d1_n12": solver.power(effect_size=1.0, nobs1=12, alpha=0.05),
            "n_for_80_percent": [{"d": d, "n": solver.solve_power(effect_size=d, alpha=0.05, power=0.8)}
                                 for d in [0.5, 0.8, 1.0, 1.5]]}


def quantiles():
    return {"t": [[p, df, stats.t.ppf(p, df)] for p in [0.9, 0.95, 0.975, 0.995] for df in [1, 2, 3.5, 7, 13, 30, 200, 140000]],
            "chi2": [[p, df, stats.chi2.ppf(p, df)] for p in [0.025, 0.05, 0.5, 0.975] for df in [1, 2, 7, 13, 100, 140000]],
            "f": [[p, a, b, stats.f.ppf(p, a, b)] for p in [0.025, 0.975, 0.99] for a, b in [(3, 9), (11, 11), (40, 5)]],
            "normal": [[p, stats.norm.ppf(p)] for p in [1e-9, 1e-4, 0.025, 0.5, 0.9, 0.975]]}


def obrien_fleming():
    """Two-sided 5 % O'Brien-Fleming constant for equally spaced looks, by recursive integration
    (Armitage, McPherson and Rowe 1969) on a grid."""
    def crossing(c, looks):
        x = np.linspace(-c, c, 601)
        w = np.full(len(x), x[1] - x[0])
        w[[0, -1]] /= 2
        step = stats.norm.pdf(x[:, None] - x[None, :], scale=np.sqrt(1 / looks)) * w
        density = stats.norm.pdf(x, scale=np.sqrt(1 / looks))
        for _ in range(looks - 1):
            density = step @ density
        return 1 - np.dot(density, w)

    from scipy.optimize import brentq
    return [{"looks": k, "c": brentq(lambda c: crossing(c, k) - 0.05, 1.9, 2.4, xtol=1e-4)} for k in [2, 5, 20]]


json.dump({"versions": {"python": sys.version.split()[0], "numpy": np.__version__, "scipy": scipy.__version__,
                        "statsmodels": statsmodels.__version__},
           "made_by": "tests/reference/learn/make.py",
           "kalman": kalman(), "riccati": riccati(), "intervals": intervals(), "welch": welch(), "power": power(),
           "quantiles": quantiles(), "obrien_fleming": obrien_fleming()}, sys.stdout, indent=1)
print()
