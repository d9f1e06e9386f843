"""What steering a quilt of 14 rows comes to, exactly: every quantity is a linear combination of the bias, the 13
chance errors and the 13 measurement errors, so its variance is a sum of squares. No chance is drawn.

Run: python3 steering.py     (numpy)

1. For each kind of quilter (spread of the bias, scatter, u of the measurement) the least gap-to-gap scatter of any
   causal rule whatever that ends within a third of where no correction would. The rule that minimises
   sum (gap - gap before)^2 + f * (last drift)^2 is linear (LQG with everything known); going through all f gives
   the whole frontier. Where no f ends within the third, no rule does. A bound by hand for no bias: the last
   advance's chance comes after the last trim, and of each one before it the photo leaves
   s^2 u^2 / (s^2 + u^2) untold, so var >= s^2 + 12 s^2 u^2 / (s^2 + u^2); a third of never is var <= 13 s^2 / 9.
2. What the weights q and f of the rule in src/learn/correction.rs come to, with everything known.
3. What it costs not to be told the spread of the bias and the scatter. Trims do not change what the photos tell, so
   the rule that puts the posterior means in place of the unknown is the best there is on average for what is
   believed beforehand. Believing each of nine pairs with the weight 1 / (its cost when told), it has the least mean
   of cost / cost when told of all causal rules; no rule can stay below that mean in all nine. This part is played
   (20 000 quilts a pair, middle only).
"""

import numpy as np

N = 13  # advances
SETTINGS = [(b, s, u) for b in (0, 1, 2) for s in (0.6, 1, 2) for u in (0.1, 0.2, 0.35, 0.6)]


def gains(q, f):
    """The recursion of src/learn/correction.rs; (meant, drift) with N advances left first."""
    a = b = c = 0.0
    out = []
    for k in range(1, N + 1):
        w = f if k == 1 else q
        h = 1 + w + a + 2 * b + c
        d = w + a + b
        out.append((1 / h, d / h))
        a, b, c = w + a - d * d / h, d / h, 1 - 1 / h
    return out[::-1]


def play(bias_sd, scatter, u, gain, follow_chance):
    """Last drift RMS / never's, gap to gap, about the mean (in scatters), last drift RMS, largest drift RMS."""
    var = np.array([bias_sd**2] + [scatter**2] * N + [u**2] * N)
    unit = np.eye(2 * N + 1)
    zero = np.zeros(2 * N + 1)
    drift, drift_hat, bias_hat, trim = zero, zero, zero, zero
    vd, vdb, vb = 0.0, 0.0, bias_sd**2
    gaps, drifts = [], []
    for t in range(1, N + 1):
        gap = unit[0] + trim + unit[t]
        drift = drift + gap
        gaps.append(gap)
        drifts.append(drift)
        s = vb + scatter**2 + u * u
        nu = gap + unit[N + t] - bias_hat - trim
        cd = vdb + vb + scatter**2
        gap_hat = bias_hat + trim + (vb + scatter**2) / s * nu
        drift_hat = drift_hat + bias_hat + trim + cd / s * nu
        vd, vdb = vd + 2 * vdb + vb + scatter**2 - cd * cd / s, vdb + vb - cd * vb / s
        bias_hat = bias_hat + vb / s * nu
        vb -= vb * vb / s
        if t < N:
            before = gap_hat if follow_chance else bias_hat + trim
            m = gain[t][0] * before - gain[t][1] * drift_hat
            trim = m - bias_hat
    v = lambda c: float((c * c * var).sum())
    mean = sum(gaps) / N
    never = np.sqrt(N * N * bias_sd**2 + N * scatter**2)
    last = np.sqrt(v(drift))
    between = np.sqrt(sum(v(b - a) for a, b in zip(gaps, gaps[1:])) / (2 * (N - 1))) / scatter
    about = np.sqrt(sum(v(g - mean) for g in gaps) / (N - 1)) / scatter
    return last / never, between, about, last, max(np.sqrt(v(d)) for d in drifts)


def lean(setting):
    b, s, u = setting
    return b / 2, s / 2, 0.75 * u


def frontier():
    for name, of in (("middle", lambda s: s), ("lean", lean)):
        reached = together = 0
        for setting in SETTINGS:
            runs = [play(*of(setting), gains(0, f), True) for f in np.logspace(-3, 3, 61)]
            within = [r for r in runs if r[0] <= 1 / 3]
            least = min(within, key=lambda r: r[1], default=None)
            reached += least is not None
            together += least is not None and least[1] <= 1.15
            said = "none" if least is None else f"{least[1]:.3f} (drift on the way {least[4]:.1f} mm)"
            print(f"  {name} bias {setting[0]} sd {setting[1]} u {setting[2]}: least drift {min(r[0] for r in runs):.3f} "
                  f"of never's; least gap to gap within a third: {said}")
        print(f"{name}: a third is within reach in {reached} of 36 settings, with gap to gap <= 1.15 in {together}")


def weights():
    print("   q     f   third: middle lean   gap to gap <= 1.15   about the mean   last drift   on the way")
    for q in (0.005, 0.01, 0.02, 0.03, 0.05):
        for f in (1, 2, 4):
            g = gains(q, f)
            middle = [play(*s, g, False) for s in SETTINGS]
            leans = [play(*lean(s), g, False) for s in SETTINGS]
            count = lambda runs, i, most: sum(r[i] <= most + 1e-9 for r in runs)
            rms = lambda i: np.sqrt(np.mean([r[i] ** 2 for r in middle]))
            print(f"{q:5.3f} {f:4}   {count(middle, 0, 1 / 3):10} {count(leans, 0, 1 / 3):6} "
                  f"{count(middle, 1, 1.15):14} ({np.mean([r[1] for r in middle]):.3f}) "
                  f"{count(middle, 2, 1.15):10} ({np.mean([r[2] for r in middle]):.3f}) {rms(3):10.2f} {rms(4):10.2f}")


def cost(bias_sd, scatter, u, believed, g, q, f, quilts=20_000, seed=9):
    """Mean cost of the rule with these beliefs (bias sd, scatter, weight), for quilts of this bias sd and scatter."""
    rng = np.random.default_rng(seed)
    s, c, w = (np.array(column)[:, None] for column in zip(*believed))
    bias = bias_sd * rng.standard_normal(quilts)
    d_hat = b_hat = np.zeros((len(believed), quilts))
    fits = np.log(w) + b_hat
    vdb, vb = 0 * s, s * s
    drift = trim = last = np.zeros(quilts)
    total = 0.0
    for t in range(1, N + 1):
        gap = bias + trim + scatter * rng.standard_normal(quilts)
        drift = drift + gap
        total += ((trim - last) ** 2).mean() + (f if t == N else q) * (drift**2).mean()
        var = vb + c * c + u * u
        nu = gap + u * rng.standard_normal(quilts) - b_hat - trim
        d_hat = d_hat + b_hat + trim + (vdb + vb + c * c) / var * nu
        vdb = vdb + vb - (vdb + vb + c * c) * vb / var
        b_hat = b_hat + vb / var * nu
        vb = vb - vb * vb / var
        fits = fits - 0.5 * (np.log(var) + nu * nu / var)
        if t < N:
            p = np.exp(fits - fits.max(0))
            p /= p.sum(0)
            b, d = (p * b_hat).sum(0), (p * d_hat).sum(0)
            last, trim = trim, g[t][0] * (b + trim) - g[t][1] * d - b
    return total


def not_told(q=0.01, f=2.0):
    g = gains(q, f)
    pairs = [(b, s) for b in (1e-6, 1, 2) for s in (0.6, 1, 2)]
    for u in (0.1, 0.2, 0.35, 0.6):
        told = [cost(*pair, u, [(*pair, 1.0)], g, q, f) for pair in pairs]
        believed = [(*pair, 1 / cost_told) for pair, cost_told in zip(pairs, told)]
        ratios = [cost(*pair, u, believed, g, q, f) / cost_told for pair, cost_told in zip(pairs, told)]
        print(f"u {u}: not told, at least {np.mean(ratios):.3f} of the cost when told on average, {max(ratios):.3f} at most")


if __name__ == "__main__":
    frontier()
    weights()
    not_told()
