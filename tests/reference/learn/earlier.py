"""What earlier quilts say of the next one's bias, by brute force with scipy: every single advance of every quilt is one
coordinate of a multivariate normal, without means or sums of squares, and the next quilt's bias one more.

Run: python3 earlier.py > earlier.json   (versions are written into the file)

Model as in src/learn/earlier.rs: error of advance i of quilt k = m + d_k + e_ki + measurement,
m ~ N(0, omega^2), d_k ~ N(0, tau^2), e ~ N(0, sigma^2), measurement ~ N(0, u_k^2).
(Gelman et al., Bayesian Data Analysis, 3rd ed., chapter 5.)
"""

import json
import platform

import numpy as np
import scipy
from scipy.stats import multivariate_normal


def covariance(quilts, omega, tau, sigma):
    which = np.concatenate([[k] * len(q["errors"]) for k, q in enumerate(quilts)])
    u = np.concatenate([[q["u"]] * len(q["errors"]) for q in quilts])
    same = which[:, None] == which[None, :]
    return omega**2 + tau**2 * same + np.diag(sigma**2 + u**2)


def cell(quilts, omega, tau, sigma):
    y = np.concatenate([q["errors"] for q in quilts])
    cov = covariance(quilts, omega, tau, sigma)
    across = np.full(len(y), omega**2)
    gain = np.linalg.solve(cov, across)
    return {
        "omega": omega, "tau": tau, "sigma": sigma,
        "log_likelihood": multivariate_normal(np.zeros(len(y)), cov).logpdf(y),
        "bias": float(gain @ y),
        "bias_sd": float(np.sqrt(omega**2 + tau**2 - gain @ across)),
    }


def whole(quilts):
    """The grid of src/learn/earlier.rs, weighed by the brute-force likelihood."""
    spreads = [(0.1, 0.4)] + [(s, 0.12) for s in (0.5, 0.8, 1.25, 2.0, 3.2)]
    cells, prior = [], []
    for step in range(18):
        sigma = 0.2 * 1.2**step
        for spread, weight in spreads:
            for own in (0.0, 0.5, 0.9):
                cells.append(cell(quilts, spread * np.sqrt(own), spread * np.sqrt(1 - own), sigma))
                prior.append(-0.5 * (np.log(sigma) / 0.6) ** 2 + np.log(weight / 3))
    log = np.array(prior) + [c["log_likelihood"] for c in cells]
    p = np.exp(log - log.max())
    p /= p.sum()
    bias = np.array([c["bias"] for c in cells])
    var = np.array([c["bias_sd"] for c in cells]) ** 2
    mean = float(p @ bias)
    return {
        "bias": mean,
        "bias_sd": float(np.sqrt(p @ (var + (bias - mean) ** 2))),
        "scatter": float(p @ [c["sigma"] for c in cells]),
    }


def case(rng, biases, sigma, sizes, u):
    quilts = [
        {"u": u_k, "errors": np.round(b + sigma * rng.standard_normal(n) + u_k * rng.standard_normal(n), 3).tolist()}
        for b, n, u_k in zip(biases, sizes, u)
    ]
    grid = [(0.0, 0.5, 0.6), (1.0, 0.2, 0.6), (2.0, 1.0, 1.5), (0.3, 0.0, 1.0)]
    return {"quilts": quilts, "cells": [cell(quilts, *g) for g in grid], "whole": whole(quilts)}


if __name__ == "__main__":
    rng = np.random.default_rng(20240607)
    print(json.dumps({
        "made_by": {"python": platform.python_version(), "numpy": np.__version__, "scipy": scipy.__version__},
        "cases": [
            case(rng, [1.5, 1.4, 1.7], 0.8, [13, 12, 9], [0.35, 0.3, 0.5]),
            case(rng, [2.0, -2.0], 0.7, [13, 13], [0.35, 0.35]),
            case(rng, [0.4], 1.2, [1], [0.2]),
            case(rng, [0.1, -0.1, 0.0, 0.2, -0.1], 1.0, [13, 13, 4, 13, 13], [0.35] * 5),
        ],
    }, indent=1))
