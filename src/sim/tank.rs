//! The tank: air and vapour over the liquid, the canister beside it at the same pressure, and the heat that flows
//! between outside air, skin, liquid and gas.
//!
//! Holes are solved implicitly at the end of each step, so that a wide open vent needs no short steps; walls and
//! evaporation relax exactly over the step.

use super::gas::{self, Discharge, Gas, Petrol, R};
use super::relax::Relax;

/// What the tank is built of. Litres, watts, kelvin and seconds as named.
#[derive(Debug, Clone, Copy)]
pub struct Build {
    /// Nominal volume, m³.
    pub nominal_m3: f64,
    /// Volume above "full", m³.
    pub ullage_m3: f64,
    /// Canister, lines and filler, m³.
    pub canister_m3: f64,
    /// The fuel.
    pub petrol: Petrol,
    /// Time for the still headspace to come to equilibrium with the liquid, s.
    pub evaporation_s: f64,
    /// Time for the gas to follow its walls, s.
    pub gas_lag_s: f64,
    /// Heat from skin to still air, W/K.
    pub skin_to_air: f64,
    /// Heat between skin and a full tank of liquid, W/K.
    pub skin_to_fuel: f64,
    /// Vapour the charcoal can hold, mol.
    pub charcoal_mol: f64,
    /// Share of that which it holds at the start.
    pub charcoal_load: f64,
    /// Discharge coefficient of all holes.
    pub discharge: Discharge,
}

impl Build {
    /// Lets the fuel (`liquid_m3` of it) follow the outside air within `fuel_lag_s`, and the skin within `wall_lag_s`.
    pub fn let_lag(&mut self, liquid_m3: f64, fuel_lag_s: f64, wall_lag_s: f64) {
        let fuel = FUEL_J_PER_M3_K * liquid_m3 + FITTINGS_J_PER_K;
        let fill = (liquid_m3 / self.nominal_m3).clamp(0.02, 1.0);
        self.skin_to_fuel = fuel / wall_lag_s / (0.3 + 0.7 * fill);
        self.skin_to_air = (fuel + SKIN_J_PER_K) / fuel_lag_s;
    }
}

/// A hole to somewhere.
#[derive(Debug, Clone, Copy)]
pub struct Port {
    /// m², fully open.
    pub area: f64,
    /// Pressure on the other side, Pa absolute.
    pub outside_pa: f64,
    /// On the headspace (a cap, a sender seal) or on the canister side (vent, purge, reliefs).
    pub at_headspace: bool,
    /// How it opens.
    pub opens: Opens,
}

/// How a port opens with the gauge pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Opens {
    /// Always.
    Always,
    /// A spring valve: from this gauge pressure outward, fully open 60 Pa beyond.
    Above(f64),
    /// A spring valve: from this vacuum inward, fully open 100 Pa beyond.
    Below(f64),
    /// A crack: the flow goes with the pressure itself, and is at 300 Pa that of a hole.
    Crack,
}

impl Port {
    /// Moles a second into the tank at absolute pressure `pa`; `inside` and `outside` flow out and in.
    fn inflow(&self, pa: f64, inside: &Gas, outside: &Gas, discharge: Discharge) -> f64 {
        if self.area <= 0.0 {
            return 0.0;
        }
        let gauge = pa - self.outside_pa;
        let lift = match self.opens {
            Opens::Always => 1.0,
            Opens::Above(set) => ((gauge - set) / 60.0).clamp(0.0, 1.0),
            Opens::Below(set) => ((-gauge - set) / 100.0).clamp(0.0, 1.0),
            Opens::Crack => (gauge.abs() / 300.0).sqrt(),
        };
        if gauge > 0.0 {
            -inside.flow(self.area * lift, pa, self.outside_pa, discharge)
        } else {
            outside.flow(self.area * lift, self.outside_pa, pa, discharge)
        }
    }
}

/// Air and vapour, mol.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moles {
    /// Air, mol.
    pub air: f64,
    /// Vapour, mol.
    pub vapour: f64,
}

impl Moles {
    /// All moles.
    pub fn total(self) -> f64 {
        self.air + self.vapour
    }

    fn fraction(self) -> f64 {
        self.vapour / self.total()
    }

    fn add(&mut self, mol: f64, vapour: f64) {
        self.vapour = (self.vapour + mol * vapour).max(0.0);
        self.air = (self.air + mol * (1.0 - vapour)).max(1e-9);
    }
}

/// What happens around the tank during a step.
#[derive(Debug, Clone, Copy)]
pub struct Surroundings {
    /// Outside air, K.
    pub air_k: f64,
    /// Heat from the road, exhaust and pump into the liquid, W.
    pub heat_w: f64,
    /// Sun on the skin, W.
    pub sun_w: f64,
    /// 0 at rest to 1 on the road: air past the skin and slosh inside.
    pub motion: f64,
}

/// Where the moles of a step went, for balances.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Moved {
    /// In through all ports, mol (negative is out).
    pub through_ports: f64,
    /// Evaporated, mol (negative is condensed).
    pub evaporated: f64,
    /// Given back by the charcoal, mol (negative is adsorbed).
    pub desorbed: f64,
}

/// The tank's state.
#[derive(Debug, Clone, Copy)]
pub struct Tank {
    /// What it is built of.
    pub build: Build,
    /// Liquid, m³.
    pub liquid_m3: f64,
    /// Over the liquid.
    pub headspace: Moles,
    /// In canister and lines.
    pub canister: Moles,
    /// Held by the charcoal, mol.
    pub held_mol: f64,
    /// Absolute pressure, Pa, of both.
    pub pa: f64,
    /// Headspace gas, K.
    pub gas_k: f64,
    /// Liquid, K.
    pub fuel_k: f64,
    /// Skin, K.
    pub skin_k: f64,
    /// Canister, K.
    pub canister_k: f64,
    /// Saturation pressure over the liquid, Pa, as the last step found it.
    pub saturated_pa: f64,
}

/// Heat capacity of the skin, J/K: about 10 kg of plastic.
const SKIN_J_PER_K: f64 = 18_000.0;
/// Heat between skin and a full tank of liquid where nothing else is said, W/K.
pub const SKIN_TO_FUEL: f64 = 18.0;
/// Heat capacity of petrol, J/(m³·K): 745 kg/m³ times 2100 J/(kg·K), from memory.
const FUEL_J_PER_M3_K: f64 = 745.0 * 2100.0;
/// Heat capacity of what hangs in the liquid, J/K.
const FITTINGS_J_PER_K: f64 = 2_000.0;
/// Lag of the canister behind the outside air, s.
const CANISTER_LAG_S: f64 = 2400.0;
/// How fast charcoal and the gas between its grains come to terms, s.
const CHARCOAL_S: f64 = 25.0;
/// Vapour pressure over full charcoal, Pa.
const CHARCOAL_PA: f64 = 22_000.0;

impl Tank {
    /// At rest, at `baro_pa`, with `liquid_m3` at `fuel_k`, saturated to `saturation` (0 to 1).
    pub fn at_rest(build: Build, liquid_m3: f64, fuel_k: f64, air_k: f64, baro_pa: f64, saturation: f64) -> Tank {
        let nothing = Moles { air: 1.0, vapour: 0.0 };
        let mut t = Tank {
            build,
            liquid_m3,
            headspace: nothing,
            canister: nothing,
            held_mol: build.charcoal_load * build.charcoal_mol,
            pa: baro_pa,
            gas_k: fuel_k,
            fuel_k,
            skin_k: 0.5 * (fuel_k + air_k),
            canister_k: air_k,
            saturated_pa: build.petrol.pressure(fuel_k),
        };
        t.gas_k = t.wall_k();
        let pv = (t.saturated_pa * saturation).min(0.9 * baro_pa);
        let n = baro_pa * t.headspace_m3() / (R * t.gas_k);
        t.headspace = Moles { air: n * (1.0 - pv / baro_pa), vapour: n * pv / baro_pa };
        let n = baro_pa * build.canister_m3 / (R * air_k);
        let pv = t.charcoal_pa();
        t.canister = Moles { air: n * (1.0 - pv / baro_pa), vapour: n * pv / baro_pa };
        t
    }

    /// Volume over the liquid, m³.
    pub fn headspace_m3(&self) -> f64 {
        (self.build.nominal_m3 + self.build.ullage_m3 - self.liquid_m3).max(0.002)
    }

    /// All vapour volume, m³.
    pub fn vapour_m3(&self) -> f64 {
        self.headspace_m3() + self.build.canister_m3
    }

    /// Vapour fraction of the gas at the purge and vent ports.
    pub fn canister_vapour(&self) -> f64 {
        self.canister.fraction()
    }

    fn charcoal_pa(&self) -> f64 {
        let load = (self.held_mol / self.build.charcoal_mol).clamp(0.0, 1.0);
        CHARCOAL_PA * load * load
    }

    /// Adds liquid; the gas is squeezed at once.
    pub fn pour(&mut self, m3: f64, kelvin: f64) {
        let before = self.headspace_m3();
        let sum = self.liquid_m3 + m3;
        if m3 > 0.0 && sum > 0.0 {
            self.fuel_k = (self.fuel_k * self.liquid_m3 + kelvin * m3) / sum;
        }
        self.liquid_m3 = sum.max(0.0005);
        self.pa *= before / self.headspace_m3();
    }

    /// Replaces part of the vapour by air (a cap left open to the wind).
    pub fn air_out(&mut self, share: f64) {
        let v = self.headspace.vapour * share;
        self.headspace.vapour -= v;
        self.headspace.air += v;
    }

    /// One step of `dt` seconds.
    pub fn step(&mut self, dt: f64, s: Surroundings, ports: &[Port], relax: &mut Relax) -> Moved {
        self.heat(dt, s, relax);
        let mut moved = Moved::default();
        let vh = self.headspace_m3();
        let vc = self.build.canister_m3;

        // Evaporation toward saturation, quicker when the liquid sloshes.
        let pv = self.build.petrol.pressure(self.fuel_k);
        self.saturated_pa = pv;
        let p_now = self.headspace.vapour * R * self.gas_k / vh;
        let lag = self.build.evaporation_s / (1.0 + 2.5 * s.motion);
        let dn = ((pv - p_now) * vh / (R * self.gas_k) * relax.share(dt, lag)).max(-self.headspace.vapour);
        self.headspace.vapour += dn;
        moved.evaporated = dn;

        // Charcoal.
        let p_now = self.canister.vapour * R * self.canister_k / vc;
        let dn = ((self.charcoal_pa() - p_now) * vc / (R * self.canister_k) * relax.share(dt, CHARCOAL_S))
            .clamp(-self.canister.vapour, self.held_mol);
        self.canister.vapour += dn;
        self.held_mol -= dn;
        moved.desorbed = dn;

        // Both spaces to one pressure, then the ports, at the pressure the step ends with. The headspace answers
        // adiabatically, the canister (much charcoal, little gas) at constant temperature: `kh`, `kc` in mol/Pa.
        let ph = self.headspace.total() * R * self.gas_k / vh;
        let pc = self.canister.total() * R * self.canister_k / vc;
        let kh = vh / (gas::gamma(self.headspace.fraction()) * R * self.gas_k);
        let kc = vc / (R * self.canister_k);
        let rest = (kh * ph + kc * pc) / (kh + kc);
        let (head_vapour, can_vapour) = (self.headspace.fraction(), self.canister.fraction());
        let head = Gas::new(self.gas_k, head_vapour);
        let can = Gas::new(self.canister_k, can_vapour);
        let outside = Gas::new(s.air_k, 0.0);
        let d = self.build.discharge;
        let one = |p: &Port, pa: f64| p.inflow(pa, if p.at_headspace { &head } else { &can }, &outside, d);
        let per_flow = dt / (kh + kc);
        let pa = settle(rest, ports, |pa| ports.iter().map(|p| one(p, pa)).sum::<f64>() * per_flow);

        let (mut into_head, mut purged) = (0.0, 0.0);
        for p in ports {
            let n = one(p, pa) * dt;
            moved.through_ports += n;
            if p.at_headspace {
                self.headspace.add(n, if n > 0.0 { 0.0 } else { head_vapour });
                into_head += n;
            } else if n > 0.0 {
                self.canister.add(n, 0.0);
            } else {
                purged -= n;
            }
        }

        // What the headspace must take from the canister to stand at the common pressure. On its way out it goes
        // first to the purge line, whose port lies beside the tank's, and only the rest into the charcoal.
        let cross = kh * (pa - ph) - into_head;
        if cross > 0.0 {
            self.headspace.add(cross, can_vapour);
            self.canister.add(-cross - purged, can_vapour);
        } else {
            let straight = purged.min(-cross);
            self.headspace.add(cross, head_vapour);
            self.canister.add(-cross - straight, head_vapour);
            self.canister.add(straight - purged, can_vapour);
        }
        self.gas_k = pa * vh / (self.headspace.total() * R);
        self.pa = pa;
        moved
    }

    /// What the headspace gas touches: more skin than liquid.
    fn wall_k(&self) -> f64 {
        0.55 * self.skin_k + 0.45 * self.fuel_k
    }

    fn heat(&mut self, dt: f64, s: Surroundings, relax: &mut Relax) {
        let fill = (self.liquid_m3 / self.build.nominal_m3).clamp(0.02, 1.0);
        let to_fuel = self.build.skin_to_fuel * (0.3 + 0.7 * fill);
        let to_air = self.build.skin_to_air * (1.0 + 2.0 * s.motion);
        let cf = FUEL_J_PER_M3_K * self.liquid_m3.max(0.001) + FITTINGS_J_PER_K;
        let q = to_fuel * (self.skin_k - self.fuel_k);
        self.skin_k += dt * (to_air * (s.air_k - self.skin_k) - q + s.sun_w) / SKIN_J_PER_K;
        self.fuel_k += dt * (q + s.heat_w) / cf;
        self.canister_k += (s.air_k - self.canister_k) * relax.share(dt, CANISTER_LAG_S);
        self.gas_k += (self.wall_k() - self.gas_k) * relax.share(dt, self.build.gas_lag_s);
    }
}

/// The pressure at which a step ends: `p = rest + rise(p)`, where `rise` falls with `p`.
fn settle(rest: f64, ports: &[Port], rise: impl Fn(f64) -> f64) -> f64 {
    let first = rise(rest);
    if first == 0.0 {
        return rest;
    }
    // The flow at `rest` is the largest of the step, and no flow carries the pressure past the farthest outside.
    let outside = ports.iter().map(|p| p.outside_pa);
    let (mut a, mut fa) = (rest, -first);
    let mut b = if first > 0.0 {
        (rest + first).min(outside.fold(rest, f64::max))
    } else {
        (rest + first).max(outside.fold(rest, f64::min))
    };
    let mut fb = b - rest - rise(b);
    for _ in 0..60 {
        if (b - a).abs() < 1e-4 || fb == 0.0 {
            break;
        }
        let mut m = b - fb * (b - a) / (fb - fa);
        // A false position that creeps along one side is replaced by the middle.
        if !(m > a.min(b) && m < a.max(b)) {
            m = 0.5 * (a + b);
        }
        let fm = m - rest - rise(m);
        if fm.abs() < 1e-5 {
            return m;
        }
        if (fm > 0.0) == (fb > 0.0) {
            fa *= 0.5;
        } else {
            a = b;
            fa = fb;
        }
        b = m;
        fb = fm;
    }
    b
}
