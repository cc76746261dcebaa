"""Reference results: fatigue damage of small seasons, by an implementation of its own.

This program writes the archives NAME.txtar beside it. Each holds a season (season.yaml,
laps.csv, calendar.csv where there is one, recordings) and expected.json, what a run of
it has to find. It shares no code and no numerical library with the Go program, and
takes other ways where there are others:

  - it counts by the three-point rule of ASTM E1049-85, 5.4.4, on whole laps and, for
    what happens between laps, on whole chains of laps laid end to end, from which the
    laps' own cycles are then taken off; the program counts by four points and joins
    residues;
  - it turns a life into an amplitude, and a target into a stress reserve, by bisection;
  - it sums over multisets of cycles.

All data are invented. Made with Python 3.11, standard library only. To make the
archives again, for instance with another season in SEASONS:

    python3 reference.py

"covers" in expected.json names what a season really exercises. Most of it is noted
where it happens, as when a cycle falls beyond a curve's knee, not where it is asked for.
Numbers are JSON numbers; null is not known; "inf" is without bound.
"""

import copy
import json
import math
import os
import random
from collections import Counter
from statistics import NormalDist

KSI = 6.894757293168361  # MPa
RATE = 100  # Hz, of every recording


# ---------------------------------------------------------------- counting


def turning_points(x):
    """Reversals as (place, value); first and last sample stay, a plateau is its first."""
    out = []
    for i, v in enumerate(x):
        if out and v == out[-1][1]:
            continue
        if len(out) >= 2 and (out[-1][1] > out[-2][1]) == (v > out[-1][1]):
            out[-1] = (i, v)
        else:
            out.append((i, v))
    return out


def gated(x, gate):
    """Turning points after every swing smaller than gate has been forgotten."""
    points = turning_points(x)
    if gate <= 0 or len(points) < 2:
        return points
    low = high = points[0]
    out, far, way = [], None, 0
    for p in points[1:]:
        if way == 0:
            low, high = min(low, p, key=lambda q: q[1]), max(high, p, key=lambda q: q[1])
            if high[1] - low[1] >= gate:
                way = 1 if high[0] > low[0] else -1
                out, far = ([low], high) if way > 0 else ([high], low)
        elif way * (p[1] - far[1]) > 0:
            far = p
        elif way * (far[1] - p[1]) >= gate:
            out.append(far)
            far, way = p, -way
    return out + [far] if way else out


def rainflow(points):
    """ASTM E1049-85, 5.4.4: (from, to, 1 or 0.5), X the latest range, Y the one before."""
    stack, out = [], []
    for p in points:
        stack.append(p)
        while len(stack) >= 3:
            x = abs(stack[-1][1] - stack[-2][1])
            y = abs(stack[-2][1] - stack[-3][1])
            if x < y:
                break
            if len(stack) == 3:  # Y holds the starting point
                out.append((stack[0], stack[1], 0.5))
                stack.pop(0)
            else:
                out.append((stack[-3], stack[-2], 1.0))
                del stack[-3:-1]
    return out + [(a, b, 0.5) for a, b in zip(stack, stack[1:])]


def closed_and_residue(points):
    """Cycles that close within a lap, and the points that stay open.

    Where neighbouring ranges are equal the three-point rule calls halves what closes
    by the four-point rule, so the halves' points are looked at once more."""
    cycles = rainflow(points)
    closed = [c for c in cycles if c[2] == 1]
    half = [c for c in cycles if c[2] == 0.5]
    rest = [half[0][0]] + [c[1] for c in half] if half else points[:1]
    i = 0
    while i + 3 < len(rest):
        a, b, c, d = (p[1] for p in rest[i : i + 4])
        if abs(b - c) <= abs(a - b) and abs(b - c) <= abs(c - d):
            closed.append((rest[i + 1], rest[i + 2], 1.0))
            del rest[i + 1 : i + 3]
            i = 0
        else:
            i += 1
    return closed, rest


def count(points, mode):
    """The cycles that a lap has by itself."""
    if mode == "half":
        return rainflow(points)
    if mode == "carry":
        return closed_and_residue(points)[0]
    if len(points) < 2:
        return []
    top = max(range(len(points)), key=lambda i: points[i][1])
    ring = points[top:] + points[:top] + [points[top]]  # once round, from the top to the top
    return rainflow(turning_points([p[1] for p in ring]))


def bag(cycles):
    """Multiset of (lower end, upper end)."""
    out = Counter()
    for a, b, n in cycles:
        out[min(a[1], b[1]), max(a[1], b[1])] += n
    return out


# ---------------------------------------------------------------- curves


class Curve:
    """A material's damage per cycle at a survival probability. seen notes what was used."""

    def __init__(self, material, survival, seen):
        self.sn = material["sn"]
        self.rule = material.get("mean_stress", {"rule": "none"})
        self.ultimate = material.get("ultimate")
        z = NormalDist().inv_cdf(survival)
        self.shift = 10 ** (-z * material.get("scatter", 0.0))
        self.seen = seen
        if self.shift != 1:
            seen.add("survival shift")

    def life(self, s):
        """Cycles at amplitude s and zero mean."""
        if s <= 0:
            return math.inf
        if s == math.inf:
            return 0.0
        try:
            return self.shift * (self.power(s) if self.sn["kind"] == "power" else self.table(s))
        except OverflowError:
            return math.inf

    def power(self, s):
        q, knee = self.sn, self.sn.get("knee")
        if knee:
            at = q["amplitude"] * (q["cycles"] / knee) ** (1 / q["slope"])
            if s < at:
                form = q.get("beyond", "same")
                self.seen.add("beyond " + (form if isinstance(form, str) else "slope"))
                if form == "flat":
                    return math.inf
                k = {"same": q["slope"], "haibach": 2 * q["slope"] - 1}.get(form, form)
                return knee * (s / at) ** -k
        self.seen.add("sn power")
        return q["cycles"] * (s / q["amplitude"]) ** -q["slope"]

    def table(self, s):
        logs = [(math.log10(a), math.log10(n)) for a, n in self.sn["points"]]  # falling stress
        x, j = math.log10(s), 0
        while j < len(logs) - 2 and x < logs[j + 1][0]:
            j += 1
        (x0, y0), (x1, y1) = logs[j], logs[j + 1]
        self.seen.add("sn table" + (" above" if x > logs[0][0] else " below" if x < logs[-1][0] else ""))
        return 10 ** (y0 + (x - x0) * (y1 - y0) / (x1 - x0))

    def handbook_life(self, low, high):
        q = self.sn
        if high <= 0:
            self.seen.add("sn equivalent-stress never positive")
            return math.inf
        bracket = high / (KSI if q["unit"] == "ksi" else 1.0) * (1 - low / high) ** q["a3"] - q["a4"]
        if bracket <= 0:
            self.seen.add("sn equivalent-stress below a4")
            return math.inf
        self.seen.add("sn equivalent-stress " + q["unit"])
        exponent = q["a1"] + q["a2"] * math.log10(bracket)
        return self.shift * 10**exponent if exponent < 300 else math.inf

    def at_zero_mean(self, low, high):
        """The amplitude of equal damage at zero mean."""
        a, m, rule = (high - low) / 2, (high + low) / 2, self.rule["rule"]
        if rule == "none":
            return a
        if rule in ("goodman", "gerber", "morrow"):
            if m <= 0:
                self.seen.add(rule + " compression")
                return a
            self.seen.add(rule + " tension")
            limit = self.rule["fatigue_strength"] if rule == "morrow" else self.ultimate
            return math.inf if m >= limit else a / (1 - (m / limit) ** (2 if rule == "gerber" else 1))
        if rule in ("swt", "walker"):
            if high <= 0:
                self.seen.add(rule + " never positive")
                return 0.0
            self.seen.add(rule)
            g = 0.5 if rule == "swt" else self.rule["gamma"]
            return high ** (1 - g) * a**g
        return self.sensitivity(low, high, a, m)

    def sensitivity(self, low, high, a, m):
        """FKM's four fields of R, each the line of its slope through the last one's end."""
        s = self.rule["m"]
        if high <= 0:  # R > 1 or without bound
            self.seen.add("sensitivity R > 1")
            return a * (1 - s)
        r = low / high
        if r <= 0:
            self.seen.add("sensitivity R <= 0")
            return a + s * m
        if r < 0.5:
            self.seen.add("sensitivity 0 < R < 0.5")
            return (1 + s) * (a + s / 3 * m) / (1 + s / 3)
        self.seen.add("sensitivity R >= 0.5")
        return 3 * (1 + s) ** 2 / (3 + s) * a

    def damage(self, low, high):
        if self.ultimate is not None and high >= self.ultimate:
            self.seen.add("ultimate reached")
            return 1.0
        if self.sn["kind"] == "equivalent-stress":
            n = self.handbook_life(low, high)
        else:
            n = self.life(self.at_zero_mean(low, high))
        return 1.0 if n == 0 else 1 / n

    def amplitude(self, n):
        """The amplitude at R = -1 with a life of n; None where a curve with a flat end has none."""
        life = (lambda s: self.handbook_life(-s, s)) if self.sn["kind"] == "equivalent-stress" else self.life
        seen, self.seen = self.seen, set()
        low, high = 1e-200, 1e9
        while high / low > 1 + 1e-14:
            middle = math.sqrt(low) * math.sqrt(high)
            if not low < middle < high:
                break
            low, high = (middle, high) if life(middle) > n else (low, middle)
        found = life(high) >= n * (1 - 1e-6)
        self.seen = seen
        if not found:
            seen.add("no equivalent amplitude")
        return high if found else None

    def breaks(self, low, high):
        """Factors on the stress at which a cycle's damage may fall, to 1."""
        out = []
        if self.ultimate is not None and high > 0:
            out.append(self.ultimate / high)
        if self.rule["rule"] == "morrow" and low + high > 0:
            out.append(2 * self.rule["fatigue_strength"] / (low + high))
        return out


# ---------------------------------------------------------------- the season


def counts(lap):
    return lap.get("use", "") in ("", "season", "both")


class Account:
    """A hot spot of a season under a scenario."""

    def __init__(self, season, spot, signals, seen):
        self.season, self.signals, self.seen = season, signals, seen
        self.spot = season["hotspots"][spot]
        self.mode = season["damage"]["residue"]
        self.survival = season["damage"]["survival"]
        self.material = season["materials"][self.spot["material"]]
        self.curve = Curve(self.material, self.survival, seen)
        self.laps = [l for l in season["laps"] if counts(l)]
        self.count()
        seen.add("residue " + self.mode)

    def signal(self, lap):
        return self.signals[lap["lap_id"]][self.spot["follow"]]

    def count(self):
        """own: the cycles of each lap. between: of each chain, by circuit."""
        share = self.season.get("signal", {}).get("gate", 0.0)
        self.own, chains = {}, {}
        for lap in self.laps:
            x = self.signal(lap)
            points = gated(x, share * (max(x) - min(x)))
            if len(points) < len(turning_points(x)):
                self.seen.add("gate")
            self.own[lap["lap_id"]] = bag(count(points, self.mode))
            key = tuple(lap.get(k, "") for k in ("event", "session", "bike"))
            chains.setdefault(key, []).append((lap, points))
        self.between = []
        if self.mode == "carry":
            self.between = [self.joined(chain) for chain in chains.values()]
            order = [tuple(l.get(k, "") for k in ("event", "session", "bike")) for l in self.laps]
            if sum(a != b for a, b in zip(order, order[1:])) >= len(chains):
                self.seen.add("interleaved chains")

    def joined(self, chain):
        """What a chain's laps laid end to end have beyond the laps' own cycles: (circuit -> cycles).

        A cycle across two circuits is each one's by half; the residues tell its ends' laps."""
        rest = bag(rainflow(turning_points([p[1] for _, points in chain for p in points])))
        for lap, _ in chain:
            rest.subtract(self.own[lap["lap_id"]])
        rest = Counter({k: n for k, n in rest.items() if n})
        assert all(n > 0 for n in rest.values())
        if any(n >= 1 for n in rest.values()):
            self.seen.add("closed between laps")
        owners = [(lap["circuit"], p[1]) for lap, points in chain for p in closed_and_residue(points)[1]]
        out, check = {}, Counter()
        for a, b, n in rainflow(turning_points([v for _, v in owners])):
            cycle = min(a[1], b[1]), max(a[1], b[1])
            check[cycle] += n
            for end in (a, b):
                out.setdefault(owners[end[0]][0], Counter())[cycle] += n / 2
        assert check == rest
        if len(out) > 1:
            self.seen.add("chain across circuits")
        return out

    def stresses(self, cycle, scale=1.0):
        f = self.spot.get("stress_factor", 1.0) * scale
        u, v = (f * (self.spot["gain"] * x + self.spot.get("offset", 0.0)) for x in cycle)
        return min(u, v), max(u, v)

    def damage(self, cycles, scale=1.0):
        return math.fsum(n * self.curve.damage(*self.stresses(c, scale)) for c, n in cycles.items())

    def circuits(self, scale):
        """circuit -> [recorded laps, recorded km, own damage, damage between laps]."""
        out = {}
        for lap in self.laps:
            c = out.setdefault(lap["circuit"], [0, 0.0, 0.0, 0.0])
            c[0] += 1
            c[1] += lap["distance_km"]
            c[2] += self.damage(self.own[lap["lap_id"]], scale)
        for chain in self.between:
            for name, cycles in chain.items():
                out[name][3] += self.damage(cycles, scale)
        return out

    def totals(self, scale=1.0):
        """(season damage, of which between laps, circuit -> season damage)."""
        recorded = self.circuits(scale)
        if "calendar" not in self.season:
            by = {name: own + between for name, (_, _, own, between) in recorded.items()}
            return math.fsum(by.values()), math.fsum(c[3] for c in recorded.values()), by
        per_km = between_per_km = 0.0
        for _, km, own, between in recorded.values():
            per_km += (own + between) / km / len(recorded)
            between_per_km += between / km / len(recorded)
        by, between_all = dict.fromkeys(recorded, 0.0), 0.0
        for row in self.season["calendar"]:
            if row.get("basis") == "fleet":
                self.seen.add("fleet basis")
                km = row["laps"] * row["lap_km"]
                by[row["circuit"]] = by.get(row["circuit"], 0.0) + per_km * km
                between_all += between_per_km * km
                continue
            n, _, own, between = recorded[row["circuit"]]
            by[row["circuit"]] += row["laps"] * (own + between) / n
            between_all += row["laps"] * between / n
        return math.fsum(by.values()), between_all, by

    def reserve(self):
        """The least factor on all stresses at which the damage passes what the target leaves.

        Between the factors at which cycles break the damage does not fall, so the first
        stretch whose end is above holds the first crossing."""
        self.curve.seen = set()  # what only a scaled season meets is no part of what this one covers
        target = self.season["target"]
        limit = 1 / (target["seasons"] * target["life_factor"])
        bags = list(self.own.values()) + [b for chain in self.between for b in chain.values()]
        ends = sorted({f for b in bags for c in b for f in self.curve.breaks(*self.stresses(c))})
        low = 1e-9
        for end in ends:
            below = end * (1 - 1e-13)
            if below > low and self.totals(below)[0] > limit:
                if any(self.totals(f * (1 + 1e-13))[0] <= limit for f in ends if f >= end):
                    self.seen.add("reserve before a fall")
                return self.crossing(low, below, limit)
            beyond = self.totals(end * (1 + 1e-13))[0]
            if beyond > limit:
                self.seen.add("reserve at a break")
                return end
            # What a cycle counts that broke at less than a life of 1 is left open; no season here depends on it.
            assert beyond >= self.totals(below)[0] * (1 - 1e-9)
            low = end * (1 + 1e-13)
        if self.totals(1e9)[0] <= limit:
            self.seen.add("reserve without bound")
            return math.inf
        return self.crossing(low, 1e9, limit)

    def crossing(self, low, high, limit):
        while high / low > 1 + 1e-13:
            middle = math.sqrt(low * high)
            if not low < middle < high:
                break
            low, high = (low, middle) if self.totals(middle)[0] > limit else (middle, high)
        return low

    def lap_row(self, lap):
        own = self.own[lap["lap_id"]]
        d = self.damage(own)
        x = self.signal(lap)
        factor = abs(self.spot.get("stress_factor", 1.0) * self.spot["gain"])
        if max(x) == min(x):
            self.seen.add("constant lap")
        n = self.season["damage"]["reference_cycles"]
        return {
            "lap_id": lap["lap_id"],
            "damage": d,
            "cycles": sum(own.values()),
            "max_amplitude_mpa": factor * (max(x) - min(x)) / 2,
            "equivalent_amplitude_mpa": self.curve.amplitude(n / d) if d else 0.0,
        }

    def season_row(self, total, between):
        years, scatter = self.season["target"]["seasons"], self.material.get("scatter")
        life, failure = (1 / total if total else math.inf), None
        if scatter:
            x = math.log10(total * years) / scatter - NormalDist().inv_cdf(self.survival) if total else -math.inf
            failure = 0.5 * math.erfc(-x / math.sqrt(2))
        return {
            "season_damage": total,
            "between_laps_damage": between,
            "life_seasons": life,
            "life_factor": life / years,
            "stress_reserve": self.reserve(),
            "failure_probability_material": failure,
        }


def replaced(season, values):
    """The season under a scenario."""
    out = copy.deepcopy(season)
    for path, v in values.items():
        at, *keys = [out] + path.split(".")
        for k in keys[:-1]:
            at = at.setdefault(k, {})
        at[keys[-1]] = v
    return out


def expected(season, signals):
    """The tables' rows, and what the season covers."""
    seen = set(season.get("notes", []))
    out = {"covers": [], "laps": [], "circuits": [], "season": []}
    for scenario, values in [("base", {})] + list(season.get("scenarios", {}).items()):
        seen.update("scenario " + path.split(".")[-1] for path in values)
        for spot in season["hotspots"]:
            account = Account(replaced(season, values), spot, signals, seen)
            name = {"scenario": scenario, "hotspot": spot}
            out["laps"] += [name | account.lap_row(l) for l in account.laps]
            total, between, by = account.totals()
            seen |= set() if total else {"no damage"}
            for circuit, d in by.items():
                out["circuits"].append(name | {"circuit": circuit, "season_damage": d, "share": d / total if total else 0.0})
            out["season"].append(name | account.season_row(total, between))
    seen |= features(season)
    out["covers"] = sorted(seen)
    return out


def features(season):
    """What shows in the description alone."""
    out = {"calendar" if "calendar" in season else "no calendar"}
    for spot in season["hotspots"].values():
        out |= {"negative gain"} if spot["gain"] < 0 else set()
        out |= {k for k in ("offset", "stress_factor") if k in spot}
    for lap in season["laps"]:
        out |= {k for k in ("start_s", "end_s") if k in lap}
        out |= {"use " + lap["use"]} if "use" in lap else set()
    for row in season.get("calendar", []):
        out |= {"no laps planned"} if row["laps"] == 0 else set()
    planned = Counter(row["circuit"] for row in season.get("calendar", []))
    if planned and {l["circuit"] for l in season["laps"]} - set(planned):
        out.add("recorded but not planned")
    if any(n > 1 for n in planned.values()):
        out.add("several rows of a circuit")
    return out


# ---------------------------------------------------------------- signals, all in g


def noise(r, n, level=3.0, mean=0.0):
    return [r.gauss(mean, level) for _ in range(n)]


def drift(r, n):
    start, swing = r.uniform(0, 6), r.uniform(4, 10)
    return [r.gauss(0, 2) + swing * math.sin(start + 3 * i / n) for i in range(n)]


def kerbs(r, n):
    x = noise(r, n, 1.5)
    for _ in range(max(1, n // 30)):
        k, hit = r.randrange(n), r.choice((-1, 1)) * r.uniform(6, 12)
        for j in range(k, min(n, k + 10)):
            x[j] += hit * math.exp(-(j - k) / 4) * math.cos(1.1 * (j - k))
    return x


def whole(r, n):
    return [float(round(r.gauss(0, 3))) for _ in range(n)]


def plateaus(r, n):
    x = []
    while len(x) < n:
        x += [float(r.randint(-6, 6))] * r.randint(1, 5)
    return x[:n]


def strike(r, n):
    x = noise(r, n, 0.02)
    x[n // 2 : n // 2 + 2] = 24.0, -24.0
    return x


def constant(r, n):
    return [2.5] * n


# ---------------------------------------------------------------- the seasons


def power(k=5.0, amplitude=60.0, **more):
    return {"kind": "power", "amplitude": amplitude, "cycles": 1e6, "slope": k} | more


def hot(gain=8.0, material="alloy", **more):
    return {"follow": "a", "gain": gain, "material": material} | more


def describe(hotspots=None, materials=None, residue="half", survival=0.5, **more):
    """A season's description: that of season.yaml, without units and with shares for percentages."""
    return {
        "hotspots": hotspots or {"toe": hot()},
        "materials": materials or {"alloy": {"sn": power()}},
        "damage": {"residue": residue, "survival": survival, "reference_cycles": 1e6},
        "target": {"seasons": 1, "life_factor": 1.5},
    } | more


def alloy(sn=None, rule="none", ultimate=None, scatter=None, **rule_more):
    out = {"sn": sn or power(), "mean_stress": {"rule": rule} | rule_more}
    return out | {k: v for k, v in (("ultimate", ultimate), ("scatter", scatter)) if v}


def offsets(*values, gain=8.0):
    """Hot spots of one material under several static stresses."""
    return {"at_%d" % i: hot(gain, offset=v) for i, v in enumerate(values)}


def lap(kind, circuit="Alpha", n=60, bike="b1", session="race", event="E1", **more):
    return {"kind": kind, "n": n, "circuit": circuit, "event": event, "session": session, "bike": bike, "distance_km": 2.5} | more


ONE = [lap(noise), lap(kerbs, n=50), lap(drift, n=55)]
TWO = [lap(noise), lap(drift, "Beta", event="E2", distance_km=3.5), lap(kerbs), lap(noise, "Beta", event="E2", n=45, distance_km=3.25)]
RULES_AT = offsets(-90.0, -25.0, 0.0, 40.0, 95.0)


def calendar(*rows):
    return [dict(zip(("circuit", "session", "laps", "lap_km", "basis"), r)) for r in rows]


def cut(file, n, edges, **more):
    """Laps cut out of one recording; edges in samples, None for its end."""
    return [lap(None, cut=(file, a, b), **more) for a, b in zip(edges, edges[1:])]


SEASONS = {
    "residue-half": (ONE, describe(residue="half")),
    "residue-repeat": (ONE, describe(residue="repeat")),
    "residue-carry": ([lap(drift, n=50) for _ in range(3)], describe(residue="carry")),
    "carry-interleaved-chains": (
        [
            lap(drift, n=40, bike="b1"),
            lap(drift, n=40, bike="b2"),
            lap(kerbs, n=40, bike="b1", session="practice"),
            lap(drift, n=40, bike="b1"),
            lap(kerbs, "Beta", n=40, bike="b1", event="E2"),
            lap(drift, "Beta", n=40, bike="b2", event="E2"),
            lap(drift, n=40, bike="b2"),
            lap(drift, "Beta", n=40, bike="b1", event="E2"),
        ],
        describe(residue="carry"),
    ),
    "carry-across-circuits-with-calendar": (
        [lap(drift, c, n=45) for c in ("Alpha", "Beta", "Alpha", "Gamma", "Beta")],
        describe(residue="carry", calendar=calendar(("Alpha", "race", 31, 2.4), ("Beta", "race", 12, 3.6), ("Gamma", "race", 8, 4.1))),
    ),
    "calendar-several-sessions": (
        TWO + [lap(noise, "Gamma", event="E3"), lap(kerbs, "Delta", event="E4")],
        describe(
            calendar=calendar(
                ("Alpha", "race", 20, 2.5), ("Beta", "practice", 6, 3.4), ("Alpha", "practice", 9, 2.5), ("Beta", "race", 17.5, 3.4), ("Gamma", "race", 0, 4.0)
            )
        ),
    ),
    "calendar-fleet-basis": (
        TWO,
        describe(
            {"toe": hot(), "bolt": hot(-11.0, offset=9.0)},
            residue="carry",
            calendar=calendar(("Alpha", "race", 20, 2.5), ("Omega", "race", 15, 4.75, "fleet"), ("Beta", "race", 11, 3.4)),
        ),
    ),
    "no-calendar-two-circuits": (TWO, describe(residue="carry", target={"seasons": 2, "life_factor": 3.0})),
    "power-beyond-forms": (
        ONE,
        describe(
            {f: hot(7.0, f) for f in ("same", "flat", "haibach", "number")},
            {f: {"sn": power(4.5, knee=2e6, beyond=b)} for f, b in (("same", "same"), ("flat", "flat"), ("haibach", "haibach"), ("number", 11.5))},
        ),
    ),
    "power-flat-nothing-above-knee": (ONE, describe({"toe": hot(1.0)}, {"alloy": {"sn": power(5.0, knee=5e6, beyond="flat")}})),
    "table": (
        ONE,
        describe({"toe": hot(6.0), "bolt": hot(12.0)}, {"alloy": {"sn": {"kind": "table", "points": [[72.0, 3e4], [45.0, 2.5e5], [28.0, 4e6], [15.0, 2e8]]}}}),
    ),
    "equivalent-stress-ksi": (
        ONE,
        describe(
            offsets(-150.0, 30.0, 140.0),
            {"alloy": {"sn": {"kind": "equivalent-stress", "unit": "ksi", "a1": 9.4, "a2": -3.6, "a3": 0.55, "a4": 6.0}, "ultimate": 520.0, "scatter": 0.18}},
            survival=0.9,
        ),
    ),
    "equivalent-stress-mpa": (
        ONE,
        describe(offsets(-20.0, 60.0), {"alloy": {"sn": {"kind": "equivalent-stress", "unit": "MPa", "a1": 15.2, "a2": -4.4, "a3": 0.6, "a4": 0}}}, residue="repeat"),
    ),
    "mean-goodman": (ONE, describe(RULES_AT, {"alloy": alloy(rule="goodman", ultimate=420.0)})),
    "mean-gerber": (ONE, describe(RULES_AT, {"alloy": alloy(rule="gerber", ultimate=420.0)})),
    "mean-morrow": (ONE, describe(RULES_AT, {"alloy": alloy(rule="morrow", fatigue_strength=640.0)})),
    "mean-swt": (ONE, describe(offsets(-260.0, -25.0, 0.0, 40.0, 95.0), {"alloy": alloy(rule="swt")})),
    "mean-walker": (ONE, describe(offsets(-260.0, -25.0, 0.0, 95.0), {"alloy": alloy(rule="walker", gamma=0.42)}, residue="repeat")),
    "mean-sensitivity": (ONE, describe(offsets(-260.0, -25.0, 45.0, 190.0), {"alloy": alloy(rule="sensitivity", m=0.3)})),
    "survival-shift": (
        ONE,
        describe(
            survival=0.977,
            materials={"alloy": alloy(scatter=0.17, rule="swt"), "other": alloy({"kind": "table", "points": [[80.0, 2e4], [20.0, 1e7]]}, scatter=0.25)},
            hotspots={"toe": hot(), "bolt": hot(5.0, "other")},
            scenarios={"likely": {"damage.survival": 0.1}, "wide": {"materials.alloy.scatter": 0.3}},
        ),
    ),
    "ultimate-reached": (ONE, describe(offsets(40.0, 80.0), {"alloy": alloy(rule="goodman", ultimate=165.0, scatter=0.1)}, residue="carry", survival=0.9)),
    "ultimate-reserve-at-a-break": (ONE, describe({"toe": hot(6.0)}, {"alloy": alloy(power(6.0, 90.0), ultimate=230.0)})),
    "ultimate-reserve-before-a-fall": (
        [lap(strike), lap(noise)],
        describe(
            {"toe": hot(2.5), "bolt": hot(2.5, follow="b", offset=1.0)},
            {"alloy": alloy(power(8.0, 57.0, knee=1e7, beyond="haibach"), ultimate=400.0)},
            target={"seasons": 1, "life_factor": 0.5},
        ),
    ),
    "gate": (ONE, describe(residue="carry", signal={"gate": 0.08}, scenarios={"coarse": {"signal.gate": 0.35}, "coarse-half": {"signal.gate": 0.35, "damage.residue": "half"}})),
    "offset-negative-gain": (
        ONE,
        describe(
            {"toe": hot(-7.25, offset=18.0), "bolt": hot(6.5, offset=-33.0, stress_factor=1.3), "boss": hot(-9.0, follow="b", offset=5.5, stress_factor=0.85)},
            {"alloy": alloy(rule="swt", ultimate=390.0)},
            residue="carry",
        ),
    ),
    "cuts": (
        cut("long.csv", 150, (None, 40, 89.5, None)) + cut("other.csv", 90, (12, 71), circuit="Beta", event="E2") + [lap(noise, "Beta", event="E2")],
        describe(residue="carry", time="column"),
    ),
    "scenarios": (
        TWO,
        describe(
            materials={"alloy": alloy(ultimate=450.0, scatter=0.15, rule="goodman"), "steel": alloy(power(6.5, 85.0), rule="gerber", ultimate=700.0)},
            hotspots={"toe": hot(offset=12.0), "bolt": hot(6.0, "steel")},
            residue="carry",
            calendar=calendar(("Alpha", "race", 25, 2.5), ("Beta", "race", 14, 3.4)),
            scenarios={
                "other-metal": {"hotspots.toe.material": "steel"},
                "thicker": {"hotspots.toe.stress_factor": 0.9},
                "other-mount": {"hotspots.toe.gain": 5.5, "hotspots.bolt.offset": -20.0},
                "other-channel": {"hotspots.bolt.follow": "b"},
                "steeper": {"materials.alloy.sn.slope": 7.5, "damage.reference_cycles": 1e7},
                "longer": {"target.seasons": 3, "target.life_factor": 2.0},
                "halves": {"damage.residue": "half"},
            },
        ),
    ),
    "ties-and-plateaus": (
        [lap(whole, n=70), lap(plateaus, n=80), lap(whole, n=40)],
        describe(residue="carry", scenarios={"halves": {"damage.residue": "half"}, "rounds": {"damage.residue": "repeat"}}, notes=["ties", "plateaus"]),
    ),
    "constant-lap": (
        [lap(noise, n=30), lap(constant, n=25), lap(drift, n=30), lap(constant, "Beta", n=12, event="E2")],
        describe(residue="carry", scenarios={"halves": {"damage.residue": "half"}, "rounds": {"damage.residue": "repeat"}}),
    ),
    "use-of-laps": (
        [lap(drift, n=40), lap(kerbs, n=40, use="calibration"), lap(drift, n=40, use="both"), lap(noise, n=40, use="season"), lap(noise, "Beta", event="E2", use="calibration")],
        describe(residue="carry"),
    ),
}


# ---------------------------------------------------------------- files


def recording(r, season, kind, n, start):
    """Lines of a recording and its values as written."""
    columns = {c: ["%.3f" % v for v in kind(r, n)] for c in ("a", "b")}
    timed = season.get("time") == "column"
    times = ["%.2f" % (start + i / RATE) for i in range(n)]
    head = ["TIME"] * timed + ["AZ", "AX"]
    rows = [[times[i]] * timed + [columns["a"][i], columns["b"][i]] for i in range(n)]
    text = "".join(",".join(row) + "\n" for row in [head] + rows)
    return text, {c: [float(v) for v in x] for c, x in columns.items()}


def build(name, laps, season):
    """The files of a season: name -> text. The description gains its laps, signals are as cut."""
    r = random.Random(name)
    files, signals, long, season["laps"] = {}, {}, {}, []
    for i, l in enumerate(laps):
        l = dict(l, lap_id="L%d" % (i + 1), lap=i + 1)
        kind, n, part = l.pop("kind"), l.pop("n"), l.pop("cut", None)
        if part is None:
            l["file"] = "r%d.csv" % (i + 1)
            files[l["file"]], signals[l["lap_id"]] = recording(r, season, kind, n, 0)
        else:
            l["file"], a, b = part
            if l["file"] not in long:
                long[l["file"]] = recording(r, season, drift, 150, 12.5)
                files[l["file"]] = long[l["file"]][0]
            l |= {k: "%.4f" % (12.5 + v / RATE) for k, v in (("start_s", a), ("end_s", b)) if v is not None}
            first, last = math.ceil(a or 0), math.ceil(b) if b is not None else None
            signals[l["lap_id"]] = {c: x[first:last] for c, x in long[l["file"]][1].items()}
        season["laps"].append(l)
    head = "lap_id,file,circuit,event,session,bike,lap,distance_km,start_s,end_s,use".split(",")
    files["laps.csv"] = table(head, season["laps"])
    if "calendar" in season:
        files["calendar.csv"] = table("circuit,session,laps,lap_km,basis".split(","), season["calendar"])
    files["season.yaml"] = season_file(name, season)
    return files, signals


def table(head, rows):
    return "".join(",".join(line) + "\n" for line in [head] + [[str(r.get(k, "")) for k in head] for r in rows])


UNITS = {"gain": "MPa/g", "offset": "MPa", "amplitude": "MPa", "ultimate": "MPa", "fatigue_strength": "MPa"}


def written(key, v):
    """A value of the season file, with its unit."""
    if key in ("survival", "gate"):
        return "%r %%" % round(100 * v, 6)
    if key == "points":
        return "[%s]" % ", ".join("[%r MPa, %r]" % tuple(p) for p in v)
    if isinstance(v, dict):
        return "{%s}" % ", ".join("%s: %s" % (k, written(k.split(".")[-1], x)) for k, x in v.items())
    return (v if isinstance(v, str) else repr(v)) + (" " + UNITS[key] if key in UNITS else "")


def season_file(name, season):
    out = ["lapwear: 1", 'season: "2031"', "component: " + name, "laps: laps.csv"]
    if "calendar" in season:
        out.append("calendar: calendar.csv")
    out.append("time: {column: TIME, unit: s}" if season.get("time") == "column" else "time: {rate: %d Hz}" % RATE)
    out += ["channels:", "  a: {column: AZ, unit: g}", "  b: {column: AX, unit: g}"]
    for part in ("signal", "hotspots", "materials", "damage", "target", "scenarios"):
        if part in ("signal", "damage", "target") and part in season:
            out.append("%s: %s" % (part, written("", season[part])))
        elif part in season:
            out.append(part + ":")
            source = {"source": "invented"} if part == "materials" else {}
            out += ["  %s: %s" % (k, written("", source | v)) for k, v in season[part].items()]
    return "\n".join(out) + "\n"


def plain(v):
    return "inf" if v == math.inf else v


def listing(want):
    """expected.json, a row a line."""
    parts = ['"covers": ' + json.dumps(want["covers"])]
    for name in ("laps", "circuits", "season"):
        rows = ",\n".join(json.dumps({k: plain(v) for k, v in row.items()}, allow_nan=False) for row in want[name])
        parts.append('"%s": [\n%s\n]' % (name, rows))
    return "{\n" + ",\n".join(parts) + "\n}\n"


def main():
    here = os.path.dirname(os.path.abspath(__file__))
    for name, (laps, description) in SEASONS.items():
        description = copy.deepcopy(description)
        files, signals = build(name, laps, description)
        files["expected.json"] = listing(expected(description, signals))
        order = sorted(files, key=lambda f: (f.startswith("r") or f in ("long.csv", "other.csv"), f))
        with open(os.path.join(here, name + ".txtar"), "w", newline="\n") as out:
            out.write("%s: made by reference.py. All data are invented.\n" % name)
            out.write("".join("-- %s --\n%s" % (f, files[f]) for f in order))


if __name__ == "__main__":
    main()
