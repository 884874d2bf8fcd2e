"""A whole session on the tray as one technician's hand makes it: both positive controls, strokes, holds, reliefs, solenoid.

The gas is an ideal one with its energy balance in SI units (textbook: pV = nRT, first law, sharp-edged hole with a
discharge coefficient of 0.6), written here again and shared with nobody.
"""

import math

ROOM_K, BARO, R, CV = 294.45, 100_930.0, 8.314462, 20.80  # molar heat of dry air, handbook, from memory
AIR_KG_MOL = 0.028965
BOTTLE = 0.002
DT = 0.0005


class Relief:
    """Opens at one pressure with a snap, shuts at a lower one."""

    def __init__(self, opens, shuts, mm):
        self.opens, self.shuts, self.area, self.lifted = opens, shuts, math.pi / 4 * (mm * 1e-3) ** 2, False

    def step(self, pa):
        self.lifted = pa > self.opens or (self.lifted and pa > self.shuts)
        return self.area if self.lifted else 0.0


class Rig:
    """Bottle, syringe and what sits on the rig; the trace as (s, Pa) and the contact's turns."""

    def __init__(self, closes, reopens, pressure_relief, vacuum_relief, vent_mm):
        self.t, self.gas_k, self.m3 = 0.0, ROOM_K, BOTTLE
        self.mol = BARO * BOTTLE / (R * ROOM_K)
        self.hole_mm, self.bleed, self.on_module, self.energised = 0.0, True, False, None
        self.closes, self.reopens, self.closed = closes, reopens, False
        self.reliefs = [Relief(*pressure_relief), Relief(*vacuum_relief)]
        self.vent_mm = vent_mm
        self.trace, self.turns, self.notes, self.coil = [(0.0, 0.0)], [], [], []

    def pa(self):
        return self.mol * R * self.gas_k / self.m3 - BARO

    def run(self, seconds, pa_s=0.0, until=None):
        """The plunger moves at a rate that makes `pa_s` of slow gas, for so long or until the gauge stands there."""
        end = self.t + seconds
        while self.t < end - 1e-9:
            before = self.pa()
            if until is not None and (before - until) * pa_s >= 0:
                return
            self.step(pa_s)

    def step(self, pa_s):
        pa = self.pa()
        area = math.pi / 4 * (self.hole_mm * 1e-3) ** 2
        area += math.pi / 4 * 0.004**2 if self.bleed else 0
        if self.on_module:
            area += self.reliefs[0].step(pa) + self.reliefs[1].step(-pa)
            # The valve moves 50 ms after the command.
            if self.energised is not None and self.t > self.energised + 0.05:
                area += math.pi / 4 * (self.vent_mm * 1e-3) ** 2
        kg_m3 = BARO * AIR_KG_MOL / (R * ROOM_K)
        mol = -math.copysign(0.6 * area * math.sqrt(2 * kg_m3 * abs(pa)) / AIR_KG_MOL * DT, pa)
        most = -pa * self.m3 / (R * self.gas_k)
        mol = mol if abs(mol) < abs(most) else most
        m3 = self.m3 - self.m3 * pa_s / BARO * DT
        # First law: what flows in brings its enthalpy, the plunger works, the wall warms within three seconds.
        warm = (CV + R) * mol * (ROOM_K if mol > 0 else self.gas_k)
        heat = (ROOM_K - self.gas_k) * self.mol * CV * DT / 3.0
        energy = self.mol * CV * self.gas_k + warm - (pa + BARO) * (m3 - self.m3) + heat
        self.mol += mol
        self.gas_k = energy / (self.mol * CV)
        self.m3 = m3
        self.t += DT
        after = self.pa()
        self.trace.append((self.t, after))
        felt = after if self.on_module else 0.0
        if not self.closed and felt < -self.closes or self.closed and felt > -self.reopens:
            self.closed = not self.closed
            self.turns.append((self.t, int(self.closed)))

    def put(self, note, mm=0.0, module=False):
        """Bleed open; told first, as a person does it."""
        self.bleed = True
        self.notes.append((self.t, note))
        self.hole_mm, self.on_module = mm, module
        self.run(1.2)
        self.rest()

    def rest(self):
        """Plunger back where it began, while the bleed is open."""
        self.m3 = BOTTLE
        self.mol, self.gas_k = BARO * BOTTLE / (R * ROOM_K), ROOM_K
        self.bleed = False

    def release(self, seconds=1.2):
        self.bleed = True
        self.run(seconds)
        self.rest()

    def solenoid(self, on):
        self.energised = self.t if on else None
        self.coil.append((self.t, int(on)))

    def polyline(self, within=0.4):
        """The trace as few straight pieces as lie within so many pascals of it."""
        points, out, stack = self.trace, [0], [(0, len(self.trace) - 1)]
        keep = {0, len(points) - 1}
        while stack:
            a, b = stack.pop()
            (ta, pa), (tb, pb) = points[a], points[b]
            worst, at = within, None
            for i in range(a + 1, b, max(1, (b - a) // 2000)):
                off = abs(points[i][1] - pa - (pb - pa) * (points[i][0] - ta) / (tb - ta))
                if off > worst:
                    worst, at = off, i
            if at:
                keep.add(at)
                stack += [(a, at), (at, b)]
        return [points[i] for i in sorted(keep)]

    def held(self, at):
        return self.trace[round(at / DT)][1]


def whole_session():
    """Everything that clears a sound module, in about 75 s."""
    rig = Rig(closes=250, reopens=150, pressure_relief=(300, 262, 3.0), vacuum_relief=(900, 790, 3.0), vent_mm=6.0)
    rig.run(1.8)
    rig.put("sealed")
    rig.run(3, -500, -550)
    rig.run(10.7)
    rig.release()
    rig.put("orifice 0.5 mm", mm=0.5)
    rig.run(3, -900, -550)
    rig.run(4.6)
    rig.release(1.0)
    rig.put("module", module=True)
    # A hold, and let back by the syringe; two strokes more; a hold that the solenoid ends.
    rig.run(4, -300, -560)
    rig.run(10.7)
    rig.run(4, 330, -25)
    rig.run(0.9)
    for down, back in ((-180, 260), (-420, 420)):
        rig.run(4, down, -430)
        rig.run(0.9)
        rig.run(4, back, -25)
        rig.run(0.9)
    rig.release(0.9)
    rig.run(3, -400, -560)
    rig.run(10.7)
    rig.solenoid(True)
    rig.run(2.5)
    rig.solenoid(False)
    rig.run(1.0)
    rig.release(1.2)
    rig.run(6.0, 90)
    rig.release(1.4)
    rig.run(7.0, -200)
    rig.release(1.2)
    return rig
