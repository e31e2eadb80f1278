"""Writes statistics_extra.json: expected numbers for the statistics rooms, from general-purpose libraries or dense definitions.

Run: python make_statistics_extra.py (scipy, numpy, statsmodels). Shares no code with the project.
"""
import json, sys
import numpy as np, scipy, statsmodels
from scipy import stats, optimize
import statsmodels.api as sm

ref = json.load(open(sys.argv[1]))          # robust_statistics.json
out = {"_source": "numpy %s, scipy %s, statsmodels %s; written by make_statistics_extra.py beside this file, "
       "2026-11-25. Facts and figures, no licence applies." % (np.__version__, scipy.__version__, statsmodels.__version__)}

def num(x): return float("%.12g" % x)

out["normal"] = [[p, num(stats.norm.ppf(p))] for p in (1e-9, 1e-4, 0.005, 0.025, 0.05, 0.25, 0.5, 0.75, 0.9, 0.975, 0.995, 0.9999)]
out["student"] = [[p, d, num(stats.t.ppf(p, d))] for d in (1, 2, 3, 5, 10, 25.5, 100, 1000) for p in (0.025, 0.6, 0.95, 0.975, 0.9995)]
out["chi_square"] = [[p, d, num(stats.chi2.ppf(p, d))] for d in (1, 2, 5, 30) for p in (0.05, 0.5, 0.95, 0.999)]
x = np.array(ref["mad"][0]["x"])
out["quantile_type7"] = {"x": x.tolist(), "rows": [[p, num(np.quantile(x, p))] for p in (0, 0.05, 0.1, 0.25, 1/3, 0.5, 0.9, 0.95, 1)]}

# Hodges-Lehmann intervals by the definition, with the Mann-Whitney distribution by enumeration.
hx, hy = (np.array(ref["hodges_lehmann"]["two_sample"][k]) for k in "xy")
d = np.sort((hx[:, None] - hy[None, :]).ravel())
import itertools
us = np.array([sum(c) - sum(range(5)) for c in itertools.combinations(range(15), 5)])   # U of the five values among fifteen ranks
cdf = np.array([np.mean(us <= u) for u in range(len(d) + 1)])
k = int(np.searchsorted(cdf, 0.025))        # smallest u with cdf >= 0.025
out["hodges_lehmann_two_sample_ci95"] = {"low": num(d[k - 1]), "high": num(d[len(d) - k]), "k": k, "level": num(1 - 2 * cdf[k - 1])}

# Linear: weighted, and Longley (NIST StRD, certified values from memory, reproduced by statsmodels below).
rng = np.random.default_rng(5)
t = np.sort(rng.uniform(0, 10, 25)); w = rng.uniform(0.2, 3, 25); y = 2 + 0.7 * t - 0.05 * t**2 + rng.normal(size=25) / np.sqrt(w)
t, w, y = np.round(t, 3), np.round(w, 3), np.round(y, 3)
m = sm.WLS(y, np.column_stack([np.ones_like(t), t, t**2]), weights=w).fit()
out["wls"] = {"t": t.tolist(), "w": w.tolist(), "y": y.tolist(), "coefficients": [num(v) for v in m.params], "covariance": [[num(v) for v in r] for r in m.cov_params()], "residual_variance": num(m.scale)}
L = sm.datasets.longley.load_pandas()
lx = L.exog; m = sm.OLS(L.endog, sm.add_constant(lx)).fit()
out["longley"] = {"columns": [c.tolist() for _, c in lx.items()], "names": list(lx.columns), "y": L.endog.tolist(),
  "certified_from_memory": [-3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683, -1.03322686717359, -0.511041056535807e-01, 1829.15146461355],
  "statsmodels": [num(v) for v in m.params], "statsmodels_sd": [num(v) for v in m.bse]}

# AR(1) in continuous time by the dense covariance phi^|dt|.
def cov(times, phi):
    dt = np.abs(times[:, None] - times[None, :])
    return np.where(dt == 0, 1.0, float(phi) ** dt)
gt = np.delete(np.arange(40.0), [5, 6, 17, 30, 31, 32]); gy = np.round(50 + 0.05 * gt + rng.normal(size=len(gt)), 3)
X = np.column_stack([np.ones_like(gt), gt])
rows = []
for phi in (0.0, 0.3, 0.7):
    m = sm.GLS(gy, X, sigma=cov(gt, phi)).fit()
    V = cov(gt, phi); r = gy - X @ m.params; q = r @ np.linalg.solve(V, r); n = len(gt)
    ll = -0.5 * (n * np.log(2 * np.pi * q / n) + np.linalg.slogdet(V)[1] + n)
    rows.append({"phi": phi, "coefficients": [num(v) for v in m.params], "covariance": [[num(v) for v in r] for r in m.cov_params()], "residual_variance": num(m.scale), "log_likelihood": num(ll)})
out["gls_ar1"] = {"t": gt.tolist(), "y": gy.tolist(), "rows": rows}

# Change models, brute force over the onset, phi by bounded search of the profile likelihood.
def design(model, t, i):
    one = np.ones_like(t)
    return {"constant": [one], "step": [one, (np.arange(len(t)) >= i) * 1.0], "ramp": [one, np.maximum(0, t - t[min(i, len(t) - 1)])],
            "step_and_trend": [one, (np.arange(len(t)) >= i) * 1.0, t - t[0]]}[model]
def loglik(phi, t, y, X):
    V = cov(t, phi); Li = np.linalg.inv(np.linalg.cholesky(V)); a, b = Li @ X, Li @ y
    c, *_ = np.linalg.lstsq(a, b, rcond=None); q = np.sum((b - a @ c) ** 2); n = len(y)
    return -0.5 * (n * np.log(2 * np.pi * q / n) + np.linalg.slogdet(V)[1] + n), c
out["change"] = []
cases = [(c["name"], np.arange(len(c["y"]), dtype=float), np.array(c["y"])) for c in ref["change_points"]]
gi = np.delete(np.arange(60.0), [10, 11, 12, 33, 50]); e = [rng.normal()]
for a, b in zip(gi, gi[1:]):
    f = 0.5 ** (b - a); e.append(f * e[-1] + np.sqrt(1 - f * f) * rng.normal())
cases.append(("gaps_ar_step_at_35", gi, np.round(np.array(e) + 3.0 * (gi >= 35), 3)))
cases.append(("gaps_ar_ramp_from_20", gi, np.round(np.array(e) + 0.15 * np.maximum(0, gi - 20), 3)))
for name, t, y in cases:
    n = len(y); entry = {"name": name, "t": t.tolist(), "y": y.tolist(), "models": {}}
    for model, p in (("constant", 3), ("step", 6), ("ramp", 5), ("step_and_trend", 7)):
        span = [0] if model == "constant" else range(0, n - 2) if model == "ramp" else range(3, n - 2)
        best = None
        for i in span:
            X = np.column_stack(design(model, t, i))
            grid = np.arange(0, 0.96, 0.05); g = max(grid, key=lambda f: loglik(f, t, y, X)[0])
            r = optimize.minimize_scalar(lambda f: -loglik(f, t, y, X)[0], bounds=(max(0, g - 0.05), min(0.95, g + 0.05)), method="bounded", options={"xatol": 1e-9})
            cand = max([(loglik(f, t, y, X)[0], f) for f in (r.x, 0.0, 0.95)])
            if best is None or cand[0] > best[0] + 1e-12:
                best = (cand[0], cand[1], i, loglik(cand[1], t, y, X)[1])
        entry["models"][model] = {"log_likelihood": num(best[0]), "bic": num(-2 * best[0] + p * np.log(n)), "phi": num(best[1]), "onset_index": int(best[2]), "coefficients": [num(v) for v in best[3]]}
    out["change"].append(entry)
    print(name, {k: (round(v["bic"], 2), v["onset_index"], round(v["phi"], 3)) for k, v in entry["models"].items()})
print(out["hamed_rao"]["var_s_original"], out["hamed_rao"]["var_s"], out["hamed_rao"]["z"], out["hodges_lehmann_two_sample_ci95"])
print(out["longley"]["statsmodels"])
body = ",\n".join(" %s: %s" % (json.dumps(k), json.dumps(v)) for k, v in out.items())
open("statistics_extra.json", "w").write("{\n" + body + "\n}\n")
