"""The analysis of the performance service once more, in numpy, pandas and statsmodels: the yardstick of the benchmark.

Everything that works on whole columns does so (deviations, ranges, windows of recoveries); what depends on the reading before
(outliers, learned noise, cumulative sum) is a loop, as there is no other way to do it without looking ahead. Of a change only
its detection is repeated. Reads a folder with model.json and one CSV an engine; prints JSON: seconds of processor time and
results by engine.
"""
import json
import math
import pathlib
import sys
import time

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import linalg, stats

LAGS, REFRESH, REACH = 10, 10, 256
USUAL, FINEST = np.array([4, 0.15, 1.0]), np.array([0.3, 0.03, 0.1])
DIRT, RATIO = np.array([10.42, 0.585, 0.849]), np.array([0.65, 0.269, 0.053])
SPREAD = np.outer(DIRT, DIRT) + 1.41**2 * np.outer(RATIO, RATIO)
CONTRASTS = [(4, 0, 24), (6, 0, 24), (9, 0, 24), (13, 0, 30), (20, 0, 40), (30, 0, 40), (25, 20, 40), (30, 45, 40), (40, 80, 50)]
AFTER = [8, 11, 15, 20, 27, 36]
WORTH = 3.0 / 4.7 * 10.4


def deviations(d, model):
    """Deviations of ITT, Ng and fuel flow, by columns."""
    exponent = 9.80665 / (287.05287 * 0.0065)
    p = 101325 * (1 - 0.0065 * d.altitude / 288.15) ** exponent
    v = d.airspeed * 1852 / 3600 / 340.294
    impact = 101325 * ((1 + 0.2 * v * v) ** 3.5 - 1)
    m = np.sqrt(5 * ((impact / p + 1) ** (2 / 7) - 1))
    theta = (d.oat + 273.15) * (1 + 0.2 * m * m) / 288.15
    delta = p * (1 + 0.2 * m * m) ** 3.5 / 101325
    power = 2 * math.pi * d.torque * d.np / 60 / 1000 / (delta * np.sqrt(theta))
    x, n, h, t = power / model["power"], d.np / model["np"] - 1, d.altitude / 10000, theta - 1
    letters = {"1": 1 + 0 * x, "x": x, "m": m, "n": n, "h": h, "t": t}
    columns = []
    for term in model["terms"]:
        c = 1 + 0 * x
        for part in term["name"].split("*"):
            letter, _, times = part.partition("^")
            c = c * letters[letter] ** int(times or 1)
        columns.append(c)
    b = np.array([t["values"] for t in model["terms"]])
    clean = np.column_stack(columns) @ b
    itt = d.itt - (clean[:, 0] * theta - 273.15)
    ng = d.ng - clean[:, 1] * np.sqrt(theta)
    fuel = 100 * (d.fuel / (clean[:, 2] * np.sqrt(theta) * delta) - 1)
    return np.column_stack([itt, ng, fuel]), n.to_numpy()


class Noise:
    def __init__(self):
        self.ring, self.sum, self.drift, self.n = [], np.zeros((LAGS, 3)), np.zeros((LAGS, 3)), np.zeros(LAGS)
        self.cross, self.last = np.zeros((3, 3)), None
        self.xx, self.xd, self.effect = np.zeros((2, 2)), np.zeros((2, 3)), np.zeros((2, 3))
        self.learn()

    def cut(self):
        self.ring, self.last = [], None

    def correct(self, n, d):
        if self.last is not None and n != self.last[0]:
            x = np.array([n - self.last[0], n * n - self.last[0] ** 2])
            expected = x @ self.effect
            limit = 4 * math.sqrt(2) * self.sigma
            delta = expected + np.clip(d - self.last[1] - expected, -limit, limit)
            self.xx += np.outer(x, x)
            self.xd += np.outer(x, delta)
        self.last = (n, d)
        return d - n * self.effect[0] - n * n * self.effect[1]

    def add(self, d):
        limit = 4 * math.sqrt(2) * self.sigma
        if self.ring:
            delta = np.clip(d - np.array(self.ring[::-1]), -limit, limit)
            k = len(delta)
            self.sum[:k] += delta**2 / 2
            self.drift[:k] += delta
            self.n[:k] += 1
            if k > 2:
                self.cross += np.outer(delta[2], delta[2]) / 2
        self.ring = (self.ring + [d])[-LAGS:]

    def learn(self):
        count = np.maximum(1, self.n)[:, None]
        v = self.sum / count - (self.drift / count) ** 2 / 2
        far = v[-3:].mean(axis=0)
        k = np.arange(1, LAGS)[:, None]
        self.related = np.repeat(0.3**k, 3, axis=1)
        if (far > 0).all():
            weight = self.n[:-1, None] / (self.n[:-1, None] + 150 * k * k)
            self.related = self.related + weight * (np.clip(1 - v[:-1] / far, -0.5, 0.95) - self.related)
        self.long = np.maximum(1, 1 + 2 * self.related.sum(axis=0))
        kept = 1 - np.clip(self.related[2], 0, 0.5)
        self.cov = (12 * np.diag(USUAL**2) + self.cross / np.sqrt(np.outer(kept, kept))) / (12 + self.n[2])
        i = np.arange(3)
        self.cov[i, i] = np.maximum(self.cov[i, i], FINEST**2)
        self.sigma = np.sqrt(self.cov[i, i])
        self.mean = self.cov * np.sqrt(np.outer(self.long, self.long))
        self.effect = np.linalg.solve(self.xx + 2 * np.diag([1 / 15**2, 1 / 150**2]), self.xd)


def threshold(arl, k=0.25):
    low, high = 0.0, 50.0
    for _ in range(60):
        mid = (low + high) / 2
        b = mid + 1.166
        if (math.exp(2 * k * b) - 2 * k * b - 1) / (2 * k * k) < arl:
            low = mid
        else:
            high = mid
    return high


class Tracker:
    def __init__(self):
        self.noise, self.d, self.day, self.accepted, self.near, self.marked = Noise(), [], [], [], [], 0
        self.total, self.days, self.washes = [np.zeros(3)], [0.0], [0]
        self.raw, self.pending, self.recoveries = [], [], []
        self.washed_at, self.looked = [0, 0, 0], 0.0
        self.since, self.washed, self.cusum, self.rate, self.alarms, self.advices = 0, 0, 0.0, 0.0, [], []
        self.learn()

    def learn(self):
        self.noise.learn()
        rate = 2700.0
        if self.day and self.day[-1] > 0:
            rate *= len(self.day) / max(1, self.day[-1])
        if abs(rate - self.rate) > 0.02 * rate:
            self.rate, self.limit, self.height = rate, stats.chi2.ppf(1 - 1 / rate, 3), threshold(rate)

    def wash(self, at):
        self.pending.append(at)
        self.washes[-1] += 1
        self.washed = self.since = len(self.d)
        if self.washed_at[0] != len(self.d):
            self.washed_at = [len(self.d)] + self.washed_at[:2]
        self.cusum, self.near, self.marked = 0.0, [], 0
        self.noise.cut()

    def outlier(self, itt):
        if len(self.near) >= 5 and self.marked < 2:
            window = np.array(self.near[-7:])
            m = np.median(window)
            far = abs(itt - m)
            if far > 4 * self.noise.sigma[0] and far > 3 * 1.4826 * np.median(abs(window - m)):
                self.marked += 1
                return True
        self.marked = 0
        self.near.append(itt)
        return False

    def window(self, i, j):
        return (self.total[j] - self.total[i]) / (j - i), (self.days[j] - self.days[i]) / (j - i)

    def contrast(self, start, end, split, now):
        after, day = self.window(split, now)
        before, day0 = self.window(start, end)
        w, days = self.washes[now] - self.washes[start], day - day0
        moved = (0.006 * days) ** 2 + 0.36 * w
        v = moved * SPREAD + self.noise.mean * (1 / (now - split) + 1 / (end - start))
        z = after - before - DIRT * (0.005 * days - 0.5 * w)
        return z @ np.linalg.solve(v, z)

    def suspicious(self):
        now, worst = len(self.d), 0.0
        for count, gap, before in CONTRASTS:
            split = now - count
            end = split - gap
            if now % max(1, count // 5):
                continue
            start = max(0, now - REACH + 1, end - before)
            if end - start >= 15:
                worst = max(worst, self.contrast(start, end, split, now))
            if self.washed > start and end - self.washed >= 8:
                worst = max(worst, self.contrast(self.washed, end, split, now))
        return worst > self.limit

    def jointly(self):
        now = len(self.d)
        if now % 7 or self.day[-1] < self.looked + 6:
            return False
        self.looked = self.day[-1]
        start = max(0, now - REACH + 1, now - 160, self.washed_at[2])
        if now - start < 33:
            return False
        variance, w = linalg.eigh(SPREAD, self.noise.mean)  # noise is 1 along w, dirt has these variances
        root, usual = np.sqrt(np.maximum(0, variance)), DIRT @ w
        y, t = np.array(self.d[start:]) @ w, np.array(self.day[start:])
        since = lambda k: (np.arange(start, now) >= k).astype(float)
        columns, means, sds = [np.ones(now - start), t - t[0]], [0, 0.005], [np.nan, 0.02]
        for at in self.washed_at:
            if start < at < now and len(columns) < 6:
                columns += [since(at), since(at) * (t - self.day[at])]
                means, sds = means + [-0.5, 0], sds + [0.6, 0.02]
        x = np.column_stack(columns)
        for after in AFTER:
            k = now - after
            if k - start < 25:
                break
            step = since(k)
            full, chi2 = np.column_stack([x, step * (t - self.day[k]), step]), 0.0
            for j in range(3):
                scale = np.append(np.array(sds + [0.02]) * root[j], 1)
                scale[0] = 1
                prior = np.ones(len(scale))
                prior[[0, -1]] = 0
                g = full * scale
                a = g.T @ g + np.diag(prior)
                b = g.T @ (y[:, j] - x @ (np.array(means) * usual[j]))
                chi2 += np.linalg.solve(a, b)[-1] ** 2 / np.linalg.inv(a)[-1, -1]
            if chi2 > self.limit:
                return True
        return False

    def take(self, day, n, d):
        if self.outlier(d[0]):
            return False
        self.raw.append((day, n, d))
        d = self.noise.correct(n, d)
        self.noise.add(d)
        self.d.append(d)
        self.day.append(day)
        self.total.append(self.total[-1] + d)
        self.days.append(self.days[-1] + day)
        self.washes.append(self.washes[-1])
        if len(self.d) % REFRESH == 0:
            self.learn()
        if len(self.d) >= 40 and (self.suspicious() or self.jointly()):
            self.alarms.append(day)
        while self.pending and day >= self.pending[0] + 75:
            self.settle()
        age = len(self.d) - self.since
        if age == 20:
            self.base = self.window(self.since, len(self.d))[0]
        if age > 20:
            long = self.noise.sigma[0] * math.sqrt(self.noise.long[0])
            z = (d[0] - self.base[0] - long / math.sqrt(20) - WORTH) / long
            self.cusum = max(0, self.cusum + min(z, 4) - 0.25)
            if self.cusum > self.height:
                self.advices.append(day)
        return True


    def settle(self):
        at = self.pending.pop(0)
        near = [r for r in self.raw[-2000:] if abs(r[0] - at) <= 45]
        day, n, d = (np.array(c) for c in zip(*near))
        corrected = d - n[:, None] * self.noise.effect[0] - n[:, None] ** 2 * self.noise.effect[1]
        self.recoveries.append(recovery(day, corrected, at, self.noise))


def recovery(day, d, at, noise):
    """Step at a wash with the half width of its 90 % interval, by deviation."""
    before = np.flatnonzero((day < at) & (day >= at - 45))[-40:]
    after = np.flatnonzero((day >= at) & (day < at + 45))[:40]
    rows = np.concatenate([before, after])
    t, step = (day[rows] - at) / 45, (day[rows] >= at).astype(float)
    x = np.column_stack([np.ones(len(rows)), t, step, t * step])
    out = []
    for j in range(3):
        fit = sm.OLS(d[rows, j], x).fit()
        df = fit.df_resid + 30
        variance = (fit.ssr + 30 * noise.sigma[j] ** 2) / df
        meat = x.T @ x
        for k, rho in enumerate(noise.related[:, j], start=1):
            c = x[k:].T @ x[:-k]
            meat = meat + rho * (c + c.T)
        inverse = fit.normalized_cov_params
        se = math.sqrt(variance * (inverse @ meat @ inverse)[2, 2])
        out.append([fit.params[2], stats.t.ppf(0.95, df) * math.hypot(se, 0.1 * fit.params[2])])
    return out


def analyse(table, washes, model):
    all_d, all_n = deviations(table, model)
    fits = (abs(all_d) <= np.array([60, 6, 15])).all(axis=1)
    days = ((table.time - table.time.iloc[0]) / 86400).to_numpy()
    tracker, used, left = Tracker(), 0, list(washes)
    for i in np.flatnonzero(fits):
        while left and left[0] <= days[i]:
            tracker.wash(left.pop(0))
        used += tracker.take(days[i], all_n[i], all_d[i])
    while tracker.pending:
        tracker.settle()
    noise = tracker.noise
    last = min(15, len(tracker.d) - tracker.since)
    return {
        "level": tracker.window(len(tracker.d) - last, len(tracker.d))[0].tolist(), "sigma": noise.sigma.tolist(), "long": noise.long.tolist(),
        "used": used, "alarms": tracker.alarms, "advices": tracker.advices,
        "recoveries": tracker.recoveries,
    }


def main(folder):
    model = json.loads((folder / "model.json").read_text())
    tables = [(pd.read_csv(folder / e["file"]), e["washes"]) for e in model["engines"]]
    begin = time.process_time()
    results = [analyse(t, w, model) for t, w in tables]
    print(json.dumps({"seconds": time.process_time() - begin, "engines": results}))


main(pathlib.Path(sys.argv[1]))
