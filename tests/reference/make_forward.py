"""Makes the cases to which tests/reference/forward.rs holds the forward model of a tank.

Usage: python make_forward.py OUT.csv                   writes the cases
       python make_forward.py --compare A.csv B.csv     compares two files (0.02 Pa)

Sealed tanks drawn at random with a fixed seed, written from the published equations as ordinary differential equations
and integrated by scipy with fine tolerances: moles of air and of vapour in one stirred volume, the first law for an open
system of constant specific heats, AP-42's vapour pressure, the isentropic nozzle of fluids, lumped heat. It shares no
code with the program. SI units; gauge pressures negative for vacuum.

Half are nights (hours of weather), half pulls (seconds of purge, then a decay with the engine drawing fuel).
"""

import csv
import math
import sys

import numpy as np
from fluids.compressible import P_critical_flow
from fluids.flow_meter import nozzle_expansibility
from scipy.constants import R
from scipy.integrate import solve_ivp

M_AIR, M_VAPOUR = 0.0289644, 0.066
CD = 0.6
# An ideal relief lets out whatever comes; this one yields a few hundredths of a pascal at night, 1 Pa to a pull. 1/s.
RELIEF = {"night": 20.0, "pull": 200.0}
# Below so little a hole's flow goes in proportion: the square root has no slope at zero that a solver could follow. Pa.
LAMINAR = 0.02
NIGHTS, PULLS = 130, 110
COLUMNS = (
    "kind measured volume_m3 hole_mm rvp_psi saturation evaporation_s gas_lag_s rewarming_s gamma wall_lag_s fuel_lag_s "
    "fuel_behind_wall_s relief_pressure_pa relief_vacuum_pa start_pa above_k start_k ramp_k_per_s swing_k swing_s phase "
    "baro_pa baro_ramp_pa_per_s baro_swing_pa purge_m3_per_s purge_s fuel_m3_per_s long_s"
).split()


def ap42(rvp_psi, t_k):
    """EPA AP-42 ch. 7.1, refined petroleum stocks, S = 3 (motor gasoline); psia and degrees Rankine inside."""
    t = (t_k - 273.15) * 1.8 + 32.0 + 459.6
    s, lg = math.sqrt(3.0), math.log10(rvp_psi)
    psia = math.exp(
        (0.7553 - 413.0 / t) * s * lg - (1.854 - 1042.0 / t) * s + (2416.0 / t - 2.013) * lg - 8742.0 / t + 15.64
    )
    return psia * 6894.757


def nozzle(a, p1, p2, t, molar, gamma):
    """Moles a second by the ISO 5167 nozzle expansibility of fluids, with a hole vanishing against the pipe."""
    if p2 >= p1:
        return 0.0
    p2 = max(p2, P_critical_flow(p1, gamma))
    eps, dp = nozzle_expansibility(D=1.0, Do=1e-4, P1=p1, P2=p2, k=gamma), p1 - p2
    return CD * eps * a * math.sqrt(2.0 * p1 * molar / (R * t)) * dp / max(dp, LAMINAR) ** 0.5 / molar


class Case:
    def __init__(self, **known):
        self.__dict__.update(known)

    def sway(self, t):
        return math.sin(2.0 * math.pi * t / self.swing_s + self.phase) - math.sin(self.phase)

    def weather(self, t):
        return self.start_k + self.ramp_k_per_s * t + self.swing_k * self.sway(t)

    def baro(self, t):
        return self.baro_pa + self.baro_ramp_pa_per_s * t + self.baro_swing_pa * self.sway(t)

    def air(self, t):
        """Outside air: the weather where only it is measured, else 3 K below the wall, whose weather it is."""
        return self.weather(t) - (0.0 if self.measured == "air" else 3.0)

    def wall(self, t, state):
        return state if self.measured == "air" else self.weather(t)

    def fuel(self, t, state):
        return self.start_k + 1.0 + 0.7 * (self.weather(t) - self.start_k) if self.measured == "fuel" else state

    def saturated(self, t, fuel):
        return ap42(self.rvp_psi, self.fuel(t, fuel)) if self.rvp_psi > 0 else 0.0

    def start(self):
        first = self.start_k + (self.above_k if self.measured == "air" else 0.0)
        p, fuel = self.baro_pa + self.start_pa, self.fuel(0.0, first)
        n = p * self.volume_m3 / (R * first)
        vapour = self.saturation * self.saturated(0.0, fuel) * self.volume_m3 / (R * first)
        return [n - vapour, vapour, first, self.volume_m3, first, fuel, first]

    def pressure(self, s):
        return (s[0] + s[1]) * R * s[2] / s[3]

    def rates(self, t, s, purge):
        air, vapour, gas, v, wall_state, fuel_state, surface = s
        n = air + vapour
        p, y, outside, air_k = n * R * gas / v, vapour / n, self.baro(t), self.air(t)
        wall, fuel = self.wall(t, wall_state), self.fuel(t, fuel_state)
        hole = math.pi / 4 * (self.hole_mm * 1e-3) ** 2
        enters = nozzle(hole, outside, p, air_k, M_AIR, 1.4) if hole and p < outside else 0.0
        leaves = nozzle(hole, p, outside, gas, M_AIR + (M_VAPOUR - M_AIR) * y, 1.3) if hole and p > outside else 0.0
        per_pa = v / (R * gas)
        enters += RELIEF[self.kind] * per_pa * max(0.0, outside - self.relief_vacuum_pa - p)
        leaves += RELIEF[self.kind] * per_pa * max(0.0, p - outside - self.relief_pressure_pa)
        leaves += purge * p / (R * gas)
        evaporates = (self.saturated(t, fuel) * per_pa - vapour) / self.evaporation_s
        g, grows = self.gamma, self.fuel_m3_per_s
        # n·cv·dT = enthalpy in − u·dn − p·dV + heat, in units of cv; the liquid gives vapour its energy.
        dgas = (enters * (g * air_k - gas) - leaves * (g - 1) * gas) / n - (g - 1) * gas * grows / v
        if self.rewarming_s > 0:
            dgas += (surface - gas) / self.rewarming_s
        dwall = (air_k - wall) / self.wall_lag_s
        behind = (wall - fuel) / self.fuel_behind_wall_s if self.measured != "air" else (air_k - fuel) / self.fuel_lag_s
        return [
            enters - leaves * (1 - y), evaporates - leaves * y, dgas, grows, dwall, behind,
            (wall - surface) / self.gas_lag_s,
        ]

    def run(self):
        """Gauge pressures at purge-off and three times after it, or at four times of a night."""
        pull = self.kind == "pull"
        parts = [(0.0, self.purge_s, self.purge_m3_per_s), (self.purge_s, self.long_s, 0.0)] if pull else [
            (0.0, self.long_s, self.purge_m3_per_s)]
        s, out = self.start(), []
        for begin, end, purge in parts:
            shares = [1.0] if pull and begin == 0.0 else [0.2, 0.5, 1.0] if pull else [0.15, 0.4, 0.7, 1.0]
            at = [min(end, begin + (end - begin) * x) for x in shares]
            a = solve_ivp(lambda t, s: self.rates(t, s, purge), (begin, end), s, method="LSODA", rtol=1e-8, atol=1e-9,
                          t_eval=at, max_step=(end - begin) / (40 if pull else 300))
            assert a.success, a.message
            out += [self.pressure(a.y[:, i]) - self.baro(t) for i, t in enumerate(at)]
            s = a.y[:, -1]
        return out


def draw(rng, kind):
    def even(a, b):
        return float(f"{a + (b - a) * rng.random():.4g}")

    def log(a, b):
        return float(f"{a * (b / a) ** rng.random():.4g}")

    def one(*of):
        return of[int(rng.integers(len(of)))]

    pull = kind == "pull"
    volume, hole = log(0.012, 0.09), one(0.0, log(0.05, 0.4), log(0.2, 2.0), log(0.3, 3.0) if pull else log(0.05, 1.0))
    return Case(
        kind=kind, measured=one("air", "wall", "fuel"), volume_m3=volume, hole_mm=hole,
        rvp_psi=one(0.0, *(even(6, 12) for _ in range(4))), saturation=even(0.5, 1.0),
        evaporation_s=log(20, 3000) if pull else log(120, 7200), gas_lag_s=log(120, 1800), rewarming_s=log(5, 60),
        gamma=one(1.0, 1.4, even(1.1, 1.4)), wall_lag_s=log(600, 14000), fuel_lag_s=log(7200, 28800),
        fuel_behind_wall_s=log(600, 7200), relief_pressure_pa=even(100, 500), relief_vacuum_pa=even(750, 1800),
        start_pa=0.0 if pull else one(0.0, even(-700, 90)), above_k=even(0, 10), start_k=even(276, 296),
        ramp_k_per_s=even(-3, 1.5) / 3600, swing_k=one(0.0, even(0, 2)), swing_s=even(7200, 40000), phase=even(0, 6.3),
        baro_pa=even(78000, 103000), baro_ramp_pa_per_s=even(-80, 80) / 3600, baro_swing_pa=one(0.0, even(0, 100)),
        # A pull against the leak and more; at night a purge valve that seeps.
        purge_m3_per_s=even(0.5e-3, 2e-3) * volume + 1.2e-3 * hole**2 * 0.04 if pull else one(0.0, 0.0, log(1e-9, 1e-7)),
        purge_s=even(3, 12) if pull else 0.0, fuel_m3_per_s=one(0.0, log(1e-7, 1e-6)) if pull else 0.0,
        long_s=even(40, 240) if pull else 20.0 * int(even(2, 10) * 180),
    )


def cases():
    rng = np.random.default_rng(505)
    for kind in ["night"] * NIGHTS + ["pull"] * PULLS:
        case = draw(rng, kind)
        known = [getattr(case, c) for c in COLUMNS]
        known = [f"{x:.6g}" if isinstance(x, float) else str(x) for x in known]
        # What is written is what is integrated.
        for c, text in zip(COLUMNS, known):
            if c not in ("kind", "measured"):
                setattr(case, c, float(text))
        yield known + [f"{p:.3f}" for p in case.run()]


def compare(a, b):
    assert len(a) == len(b), f"{len(a)} lines against {len(b)}"
    known = len(COLUMNS)
    for i, (x, y) in enumerate(zip(a, b), 1):
        assert x[:known] == y[:known], f"line {i}: {x} against {y}"
        for p, q in zip(x[known:], y[known:]) if i > 1 else ():
            assert abs(float(p) - float(q)) <= 0.02, f"line {i}: {p} against {q} Pa"


if __name__ == "__main__":
    if sys.argv[1] == "--compare":
        with open(sys.argv[2], newline="") as x, open(sys.argv[3], newline="") as y:
            compare(list(csv.reader(x)), list(csv.reader(y)))
        print("the cases agree")
    else:
        with open(sys.argv[1], "w", newline="") as out:
            write = csv.writer(out, lineterminator="\n")
            write.writerow([*COLUMNS, "first_pa", "second_pa", "third_pa", "last_pa"])
            write.writerows(cases())
