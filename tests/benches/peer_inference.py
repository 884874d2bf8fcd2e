"""The ensembles of soak and decay, vectorised in numpy: what `inference.rs` compares itself with.

Called with a file of the two specs and their drive. Reads words from stdin: `soak` or `decay` follows that ensemble
through its drive once and prints the processor time it took, in seconds; `tell` prints what was found last, as JSON.
All members, holes and steps are those of the program, from the same Latin hypercube, drawn from numpy's own PCG-64.
Written from the program's documentation; members lie along the first axis, holes along the second.
"""

import json
import math
import sys
import time

import numpy as np
from scipy.special import erfc

R, M_AIR, M_VAPOUR = 8.31446261815324, 0.0289644, 0.066
MASK = (1 << 128) - 1


def hypercube(members, dims, seed):
    """Latin hypercube whose permutations are Fisher-Yates shuffles by PCG-64 with a stated stream."""
    increment = (0x5EA1 << 1 | 1) & MASK
    state = ((seed + increment) * 0x2360ED051FC65DA44385DF649FCCF645 + increment) & MASK
    pcg = np.random.PCG64()
    pcg.state = {"bit_generator": "PCG64", "state": {"state": state, "inc": increment}, "has_uint32": 0, "uinteger": 0}
    cells = np.empty((members, dims))
    for dim in range(dims):
        order = list(range(members))
        for i in range(members - 1, 0, -1):
            j = (int(pcg.random_raw()) & 0xFFFFFFFF) * (i + 1) >> 32
            order[i], order[j] = order[j], order[i]
        cells[:, dim] = (np.array(order) + 0.5) / members
    return cells


def even(span, u):
    return span[0] + (span[1] - span[0]) * u


def even_log(span, u):
    return span[0] * np.exp(np.log(span[1] / span[0]) * u)


def row_of_holes(count, low, high):
    return np.concatenate([[0.0], low * np.exp(np.log(high / low) / (count - 2) * np.arange(count - 1))])


def column(x):
    """A number a member, beside the row of holes."""
    return x[:, None]


class Gasoline:
    """EPA AP-42 ch. 7.1, slope 3, with its constants worked out."""

    def __init__(self, rvp):
        lg, s = np.log10(rvp), math.sqrt(3.0)
        self.a = 0.7553 * s * lg - 1.854 * s - 2.013 * lg + 15.64
        self.b = 413.0 * s * lg - 1042.0 * s - 2416.0 * lg + 8742.0

    def pressure(self, k):
        return np.exp(self.a - self.b / ((k - 273.15) * 1.8 + 32.0 + 459.6)) * 6894.757


class Lag:
    def __init__(self, tau, dt):
        x = dt / tau
        self.keep, self.slope = np.exp(-x), -np.expm1(-x) / x

    def follow(self, value, begin, end):
        return end + (value - begin) * self.keep - (end - begin) * self.slope


class Belief:
    """The hole after a switch stayed open: the closing point summed over its range, prior odds 1:1 at the limit."""

    def __init__(self, spec):
        low, high = spec["belief_mm"]
        count, limit = spec["belief_cells"], spec["limit_mm"]
        edge = lambda place: low * np.exp(np.log(high / low) / (count - 2) * (place - 1.0))
        cell = np.arange(1, count)
        self.below, self.above, self.limit = edge(cell - 0.5), edge(cell + 0.5), limit
        lows, highs, at = np.log(self.below), np.log(self.above), math.log(limit)
        small = np.maximum(np.minimum(highs, at) - lows, 0.0) / (at - lows[0])
        large = np.maximum(highs - np.maximum(lows, at), 0.0) / (highs[-1] - at)
        self.prior = np.concatenate([[0.25], 0.25 * small + 0.5 * large])
        # Where each cell lies in the soak's row of holes.
        first, last = spec["hole_mm"]
        holes, mm = spec["holes"], edge(cell.astype(float))
        x = np.concatenate([[0.0], np.where(mm < first, 0.0, 1.0 + (holes - 2) * np.log(mm / first) / math.log(last / first))])
        self.at = np.minimum(x.astype(int), holes - 1)
        self.part = np.where(self.at == holes - 1, 0.0, x - self.at)
        self.next = np.minimum(self.at + 1, holes - 1)
        low, high = spec["closes_pa"]
        self.points = low + (high - low) / 8.0 * (np.arange(8) + 0.5)
        self.sigma = 0.5 * (0.1 * 0.5 * (low + high) + 10.0)

    def at_least_the_limit(self, deepest):
        a, b = deepest[:, self.at], deepest[:, self.next]
        both = (a > 1.0) & (b > 1.0) & (self.part > 0.0)
        power = a * np.exp(self.part * np.log(np.divide(b, a, out=np.ones_like(a), where=both)))
        now = np.where(both, power, a + (b - a) * self.part)
        open_still = np.zeros_like(now)
        for point in self.points:
            open_still += 0.5 * erfc((now - point) / self.sigma * math.sqrt(0.5))
        ln = np.log(np.maximum(open_still / len(self.points), 1e-300))
        heat, most = 1.0, ln.max()
        while True:
            below = heat * (ln - most)
            weights = np.where(below < -45.0, 0.0, self.prior * np.exp(below))
            members = weights.sum(axis=1)
            if members.sum() ** 2 / (members * members).sum() >= 6.0 or heat <= 0.35:
                break
            heat *= 0.7
        cells = weights.sum(axis=0)[1:] / weights.sum()
        inside = np.log(self.above / self.limit) / np.log(self.above / self.below)
        return float((cells * np.where(self.below >= self.limit, 1.0, np.clip(inside, 0.0, 1.0))).sum())


def soak(spec, drive):
    members, grid = spec["members"], spec["grid_s"]
    u = hypercube(members, 21, spec["seed"]).T
    both = 2.0 * u - 1.0
    holes = row_of_holes(spec["holes"], *spec["hole_mm"])
    volume = spec["volume_m3"] * (1.0 + spec["volume_spread"] / 0.9 * both[0])
    cd = spec["cd"] * (1.0 + spec["area_error"] * both[1])
    fuel = Gasoline(even(spec["rvp_psi"], u[2]))
    evaporation = np.exp(-grid / even_log(spec["evaporation_s"], u[4]))
    gas_lag = Lag(even_log(spec["gas_lag_s"], u[6]), grid)
    behind = Lag(even_log(spec["fuel_behind_wall_s"], u[9]), grid)
    relief_p, relief_v = (even(spec[k], u[i])[:, None] for k, i in (("relief_pressure_pa", 10), ("relief_vacuum_pa", 11)))
    error = spec["temperature_error_k"]
    offset, drift, place = error * both[14], 0.5 * error * both[15], 0.05 * both[16]
    gain_k, gain_baro = -np.expm1(-grid / even_log((120.0, 1200.0), u[19])), -math.expm1(-grid / 60.0)
    reach = cd[:, None] * math.pi / 4 * (holes * 1e-3) ** 2 / volume[:, None] * grid

    # Means of what moves in straight lines between samples each half a step apart.
    means = {c: (v[:-2:2] + 2.0 * v[1:-1:2] + v[2::2]) / 4.0 for c, v in drive.items()}
    steps = len(means["wall_k"])
    smooth, first = {}, {}
    belief, beliefs, asked = Belief(spec), [], round(spec["believe_s"] / grid)
    for n in range(1, steps + 1):
        for c in means:
            mean = means[c][n - 1]
            if n == 1:
                smooth[c] = np.full(members, mean)
                first[c] = smooth[c]
            else:
                smooth[c] = smooth[c] + (mean - smooth[c]) * np.maximum(gain_baro if c == "baro_pa" else gain_k, 1.0 / n)
        off = offset + drift * -math.expm1(-n * grid / 3600.0)
        air, wall = (smooth[c] + off + place * (smooth[c] - first[c]) for c in ("ambient_k", "wall_k"))
        baro = smooth["baro_pa"]
        if n == 1:
            fuel_k = wall + even(spec["start_above_wall_k"], u[20])
            vapour = even(spec["saturation"], u[3]) * np.minimum(fuel.pressure(wall), 0.9 * baro)
            vapour *= fuel.pressure(fuel_k) / fuel.pressure(wall)
            gas, wall_before, baro_before = wall, wall, baro
            start = even(spec["start_vacuum_pa"], u[12])[:, None]
            pressure, deficit = np.repeat(-start, len(holes), 1), np.zeros((members, len(holes)))
            deepest = -pressure
            continue
        fuel_k = behind.follow(fuel_k, wall_before, wall)
        gas_before, gas = gas, gas_lag.follow(gas, wall_before, wall)
        ratio = gas / gas_before
        warmed = vapour * ratio
        saturated = np.minimum(fuel.pressure(fuel_k), 0.9 * baro)
        vapour = saturated + (warmed - saturated) * evaporation
        share = np.clip(vapour / baro, 0.0, 1.0)
        root_in = baro * (gas / air) * np.sqrt(2.0 * R * air / (baro * M_AIR))
        root_out = baro * np.sqrt(2.0 * R * gas / (baro * (M_AIR + (M_VAPOUR - M_AIR) * share)))
        moved = deficit * ratio[:, None]
        kept = moved * evaporation[:, None]
        target = (pressure + baro_before[:, None]) * ratio[:, None] + (vapour - warmed - baro)[:, None] + moved - kept
        kappa = reach * np.where(target < 0.0, root_in[:, None], root_out[:, None])
        size = np.abs(target)
        x = 2.0 * size / np.maximum(kappa + np.sqrt(kappa * kappa + 4.0 * size), 1e-300)
        pressure = np.clip(np.copysign(x * x, target), -relief_v, relief_p)
        deficit = kept + share[:, None] * np.where(target > 0.0, np.maximum(target - pressure, 0.0), 0.0)
        deepest = np.maximum(deepest, -pressure)
        since = -pressure if n * grid <= spec["marked_s"] else np.maximum(since, -pressure)
        if n % asked == 0:
            beliefs.append(belief.at_least_the_limit(since))
        wall_before, baro_before = wall, baro
    return {"deepest_pa": deepest.tolist(), "beliefs": [beliefs]}


def decay(spec, pull):
    members, horizon = spec["members"], spec["horizon_s"]
    u = hypercube(members, 20, spec["seed"]).T
    both = 2.0 * u - 1.0
    holes = row_of_holes(spec["holes"], *spec["hole_mm"])
    baro, gas_k = spec["baro_pa"], spec["gas_k"]
    volume = spec["volume_m3"] * (1.0 + spec["volume_spread"] / 0.9 * both[0])
    cd = spec["cd"] * (1.0 + spec["area_error"] * both[1])
    closes = even(spec["closes_pa"], u[2])
    level = column(-np.minimum(even(spec["reopens_pa"], u[3]), 0.95 * closes))
    vapour = Gasoline(even(spec["rvp_psi"], u[4])).pressure(even(spec["fuel_k"], u[5]))
    share = np.clip(vapour / baro, 0.0, 0.9)
    areas = math.pi / 4 * (holes * 1e-3) ** 2
    rate = lambda molar: column(cd * baro * np.sqrt(2.0 * R * gas_k / (baro * molar)) / volume) * areas
    inward, outward = rate(M_AIR), rate(M_AIR + (M_VAPOUR - M_AIR) * share)
    relief_root = column(np.sqrt(np.maximum(even(spec["relief_vacuum_pa"], u[6]), 1.05 * closes)))
    cooling = column(even(spec["gamma"], u[7]) - 1.0)
    rewarming, evaporation = (column(even_log(spec[k], u[i])) for k, i in (("rewarming_s", 8), ("evaporation_s", 9)))
    low, high = spec["vapour_rise_pa_per_s"]
    falls = -low / (high - low)
    z = np.where(u[10] < falls, 1.0 - u[10] / falls, (u[10] - falls) / (1.0 - falls))
    rise = column(np.where(u[10] < falls, low, high) * z * z)
    fuel_draw = column(even(spec["fuel_draw_m3_per_s"], u[19]) * baro / volume)
    missing = column(share * np.minimum(2.0 * u[18], 1.0))

    still_air = lambda: [np.zeros((members, len(holes))) for _ in range(4)]

    def step(state, dt, purge):
        pressure, heat, vapour, root = state
        evaporates, warm = dt / evaporation, 1.0 / (1.0 + dt / rewarming)
        gain = 1.0 + cooling * warm
        draw = purge + fuel_draw
        held = missing * heat
        missed = (vapour + missing * dt * draw + held * evaporates) / (1.0 + evaporates)
        still = pressure - heat + (missed - held) * evaporates + rise * dt + heat * warm
        kappa = gain * dt * inward
        halved = kappa < root
        target = still - gain * dt * draw + np.where(halved, 0.5 * kappa * root, 0.0)
        sucks = target < 0.0
        k = np.where(halved, 0.5, 1.0) * np.where(sucks, kappa, gain * dt * outward)
        x = 0.5 * (np.sqrt(k * k + 4.0 * np.abs(target)) - k)
        x_in = np.minimum(x, relief_root)
        p = np.where(sucks, -x_in * x_in, x * x)
        return [p, (heat + cooling * (p - still) / gain) * warm, missed, np.where(sucks, x_in, 0.0)]

    # The pull: for each hole the strength of purge that closes the switch when it was seen to close.
    error = pull["edge_error_s"]
    off = pull["off_s"] + both[13] * error
    at = np.minimum(pull["closed_s"] + both[12] * error, off)
    length = column(at - np.minimum(pull["began_s"] + both[11] * error, at - 0.02))
    target, root = column(-closes), column(np.sqrt(closes))
    purge = np.maximum(-target / length + inward * root * (2.0 / 3.0), 1e-6)
    slope = -length / (1.0 + inward * length / (2.0 * np.maximum(root, 1.0)))

    def pulled(state, long, purge):
        for _ in range(24):
            state = step(state, long / 24.0, purge)
        return state

    state = pulled(still_air(), length, purge)
    miss, close = state[0] - target, 1e-3 * np.abs(target) + 0.05
    for _ in range(12):
        far = np.abs(miss) >= close
        if not far.any():
            break
        before = purge
        purge = np.where(far, np.clip(purge - miss / slope, 0.2 * purge, 5.0 * purge), purge)
        state = pulled(still_air(), length, purge)
        changed = purge != before
        now = state[0] - target
        seen = np.divide(now - miss, purge - before, out=np.zeros_like(now), where=changed)
        slope = np.where(changed & (seen < -1e-9), seen, slope)
        miss = np.where(changed, now, miss)
    state = pulled(state, column(off - at), purge * column(np.exp(0.3 * both[17])))
    lost = np.abs(miss) > 0.05 * np.abs(target) + 1.0
    for i, value in enumerate((target, 0.0, 0.0, root)):
        state[i] = np.where(lost, value, state[i])

    reopens = np.where(state[0] >= level, 0.0, np.inf)
    t = 0.0
    while t < horizon and np.isinf(reopens).any():
        before, dt = state[0], max(0.02 + t * (1.07 - 1.0), 1e-6)
        state = step(state, dt, 0.0)
        turned = (state[0] >= level) & np.isinf(reopens)
        between = np.divide(level - before, state[0] - before, out=np.zeros_like(before), where=turned)
        reopens = np.where(turned, t + dt * between, reopens)
        t += dt
    # Not JSON: an infinite time is said as null.
    return {"reopens_s": [[t if math.isfinite(t) else None for t in row] for row in reopens.tolist()]}


def main():
    with open(sys.argv[1]) as f:
        given = json.load(f)
    drive = {c: np.array(v) for c, v in given["drive"].items()}
    found = {}
    for word in map(str.strip, sys.stdin):
        if word == "tell":
            print(json.dumps(found), flush=True)
            continue
        begun = time.process_time()
        got = soak(given["soak"], drive) if word == "soak" else decay(given["decay"], given["pull"])
        print(time.process_time() - begun, flush=True)
        found.update(got)


main()
