"""Fits the public data sets with numpy, scipy and statsmodels and prints every figure as JSON: name -> list of numbers."""
import csv
import json
import sys
import warnings

import numpy
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import optimize, special, stats

warnings.simplefilter("ignore")
folder = sys.argv[1]


def table(name):
    with open(f"{folder}/{name}.csv", newline="") as f:
        rows = list(csv.reader(f))
    return numpy.array([[float(v) for v in row] for row in rows[1:]])


out = {}
print(f"numpy {numpy.__version__}, scipy {scipy.__version__}, statsmodels {statsmodels.__version__}", file=sys.stderr)

norris = table("norris")
fit = sm.OLS(norris[:, 1], sm.add_constant(norris[:, 0])).fit()
out["norris"] = [*fit.params, *fit.bse, fit.mse_resid ** 0.5, fit.rsquared]

longley = table("longley")
fit = sm.OLS(longley[:, 0], sm.add_constant(longley[:, 1:])).fit()
out["longley"] = [*fit.params, *fit.bse, fit.mse_resid ** 0.5]

wash = table("washrun")
hours, clean, spoilt = wash.T
step = (hours >= 600).astype(float)
fit = sm.OLS(clean, sm.add_constant(numpy.column_stack([hours, step]))).fit()
out["washrun"] = [*fit.params, *fit.bse]
for name, corrected in (("plain", False), ("corrected", True)):
    hac = fit.get_robustcov_results("HAC", maxlags=4, use_correction=corrected)
    out["washrun hac " + name] = list(hac.bse)

design = sm.add_constant(numpy.column_stack([hours, step]))
related = numpy.array([0.5, 0.3, 0.1])
weights = numpy.eye(len(hours)) * 2.25
for lag, r in enumerate(related, 1):
    weights += 2.25 * r * (numpy.eye(len(hours), k=lag) + numpy.eye(len(hours), k=-lag))
bread = numpy.linalg.inv(design.T @ design)
out["washrun known memory"] = list(numpy.sqrt(numpy.diag(bread @ design.T @ weights @ design @ bread)))

late = hours >= 600
line = sm.OLS(clean[late], sm.add_constant(hours[late])).fit()
ahead = line.get_prediction([[1.0, 1200.0]]).summary_frame(alpha=0.05)
out["forecast"] = [ahead["mean"][0], ahead["obs_ci_lower"][0], ahead["obs_ci_upper"][0]]


def fieller(h, side):
    n, mean = late.sum(), hours[late].mean()
    spread = ((hours[late] - mean) ** 2).sum()
    half = stats.t.ppf(0.975, n - 2) * line.mse_resid ** 0.5 * (1 / n + (h - mean) ** 2 / spread) ** 0.5
    return line.params[0] + line.params[1] * h + side * half - 12


out["crossing"] = [(12 - line.params[0]) / line.params[1], optimize.brentq(fieller, 600, 1034, (1,)), optimize.brentq(fieller, 1034, 3000, (-1,))]

slope = stats.theilslopes(spoilt[late], hours[late], 0.95)
out["theil-sen"] = [slope[0], slope[2], slope[3]]

stack = table("stackloss")
fit = sm.OLS(stack[:, 3], sm.add_constant(stack[:, :3])).fit()
out["stackloss"] = [*fit.params, *fit.bse, fit.mse_resid ** 0.5]
huber = sm.RLM(stack[:, 3], sm.add_constant(stack[:, :3]), M=sm.robust.norms.HuberT()).fit(tol=1e-12, maxiter=500)
out["huber"] = list(huber.params)
out["huber errors"] = list(huber.bse)

nile = table("nile")[:, 1]
level = sm.tsa.UnobservedComponents(nile, "llevel")
level.ssm.initialize_known(numpy.array([0.0]), numpy.array([[1e7]]))
filtered = level.filter([15099.0, 1469.1])
out["level"] = [filtered.filtered_state[0, 0], filtered.filtered_state[0, -1], filtered.filtered_state_cov[0, 0, -1]]

kappas = [0.05, 0.2, 0.5, 0.9]
out["wash interval"] = [float(-1 - special.lambertw(-(1 - k) / numpy.e, -1).real) for k in kappas]

json.dump({k: [float(v) for v in values] for k, values in out.items()}, sys.stdout)
