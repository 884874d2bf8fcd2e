//! The forward model of a tank held to 240 random ones, integrated from the published equations by `scipy.integrate`
//! with the nozzle of `fluids` (`make_forward.py`, which shares no code with the program).

use soakwatch::physics::tank::{Draw, Outside, Tank, TankSpec};
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// One line of `forward.csv`.
struct Case {
    text: BTreeMap<String, String>,
}

impl Case {
    fn all() -> Vec<Case> {
        let mut lines = csv::Reader::from_reader(include_bytes!("forward.csv").as_slice());
        lines.deserialize().map(|text| Case { text: text.expect("a line of the cases") }).collect()
    }

    fn get(&self, name: &str) -> f64 {
        self.text[name].parse().expect(name)
    }

    fn spec(&self) -> TankSpec {
        TankSpec {
            volume_m3: self.get("volume_m3"),
            hole_mm: self.get("hole_mm"),
            cd: 0.6,
            rvp_psi: self.get("rvp_psi"),
            saturation: self.get("saturation"),
            evaporation_s: self.get("evaporation_s"),
            gas_lag_s: self.get("gas_lag_s"),
            rewarming_s: self.get("rewarming_s"),
            gamma: self.get("gamma"),
            wall_lag_s: self.get("wall_lag_s"),
            fuel_lag_s: self.get("fuel_lag_s"),
            fuel_behind_wall_s: self.get("fuel_behind_wall_s"),
            relief_pressure_pa: self.get("relief_pressure_pa"),
            relief_vacuum_pa: self.get("relief_vacuum_pa"),
        }
    }

    /// The weather of the case, by the words of its generator.
    fn outside(&self, t: f64) -> Outside {
        let phase = self.get("phase");
        let sway = libm::sin(TAU * t / self.get("swing_s") + phase) - libm::sin(phase);
        let begin = self.get("start_k");
        let weather = begin + self.get("ramp_k_per_s") * t + self.get("swing_k") * sway;
        let baro_pa = self.get("baro_pa") + self.get("baro_ramp_pa_per_s") * t + self.get("baro_swing_pa") * sway;
        let (air, wall_k, fuel_k) = match self.text["measured"].as_str() {
            "air" => (weather, None, None),
            "wall" => (weather - 3.0, Some(weather), None),
            _ => (weather - 3.0, Some(weather), Some(begin + 1.0 + 0.7 * (weather - begin))),
        };
        Outside { baro_pa, ambient_k: Some(air), wall_k, fuel_k }
    }

    /// Steps of at most `dt_s` to each of `times`, with `draw` until then; the pressures there.
    fn follow(&self, tank: &mut Tank, from_s: f64, times: &[f64], dt_s: f64, draw: Draw) -> Vec<f64> {
        let mut at = from_s;
        let mut pressures = Vec::new();
        for to in times {
            let steps = ((to - at) / dt_s).ceil();
            let begin = at;
            for i in 1..=steps as u32 {
                at = begin + (to - begin) * f64::from(i) / steps;
                tank.step((to - begin) / steps, self.outside(at), draw);
            }
            pressures.push(tank.pressure_pa());
        }
        pressures
    }
}

/// Ours against theirs for every case of `kind`: the worst misses as shares of their tolerance.
fn hold(kind: &str, least: usize, tolerance: impl Fn(f64, f64) -> f64, ours: impl Fn(&Case) -> Vec<f64>) {
    let cases: Vec<Case> = Case::all().into_iter().filter(|c| c.text["kind"] == kind).collect();
    assert!(cases.len() >= least);
    let mut misses = Vec::new();
    let mut relieved = 0;
    for case in &cases {
        let theirs: Vec<f64> = ["first_pa", "second_pa", "third_pa", "last_pa"].map(|n| case.get(n)).to_vec();
        let peak = theirs.iter().fold(0.0, |most: f64, p| most.max(p.abs()));
        relieved += usize::from(theirs.iter().any(|p| (p + case.get("relief_vacuum_pa")).abs() < 2.0));
        for (i, (got, expected)) in ours(case).into_iter().zip(theirs).enumerate() {
            misses.push(((got - expected).abs() / tolerance(expected, peak), got, expected, i, &case.text));
        }
    }
    misses.sort_by(|a, b| b.0.total_cmp(&a.0));
    let (worst, middle) = (&misses[0], &misses[misses.len() / 2]);
    println!("{kind}: {} pressures, half within {:.3} of the tolerance, worst {:.3}", misses.len(), middle.0, worst.0);
    for m in misses.iter().take(4) {
        println!("  {:.2}: {:.2} against {:.2}, time {}, {:?}", m.0, m.1, m.2, m.3, m.4);
    }
    assert!(worst.0 <= 1.0);
    assert!(relieved * 10 >= cases.len(), "only {relieved} of {} come to a relief", cases.len());
}

/// Steps of 20 s, as the soak takes them: evaporation runs towards the saturation of a step's end, and a relief holds
/// from there, so that quick changes come up to 20 s early or late. Half of all agree within 0.02 Pa, the worst within
/// 1 % of itself and of the night's extreme.
#[test]
fn nights_of_random_tanks() {
    let ours = |c: &Case| {
        let start = c.outside(0.0);
        let mut tank = Tank::new(c.spec(), start, c.get("start_pa"), c.get("above_k"));
        let long = c.get("long_s");
        let draw = Draw { purge_m3_per_s: c.get("purge_m3_per_s"), ..Draw::default() };
        c.follow(&mut tank, 0.0, &[0.15 * long, 0.4 * long, 0.7 * long, long], 20.0, draw)
    };
    hold("night", 100, |expected, peak| 2.0 + 0.01 * expected.abs() + 0.01 * peak, ours);
}

/// Steps of 0.1 s. Purge and hole act one after the other within a step, density and heat are those of its begin; the
/// reference's reliefs yield 1 to 3 Pa. The worst within 1 % of itself and of the pull's extreme.
#[test]
fn pulls_and_decays_of_random_tanks() {
    let ours = |c: &Case| {
        let mut tank = Tank::new(c.spec(), c.outside(0.0), c.get("start_pa"), c.get("above_k"));
        let (off, long) = (c.get("purge_s"), c.get("long_s"));
        let engine = Draw { purge_m3_per_s: c.get("purge_m3_per_s"), fuel_m3_per_s: c.get("fuel_m3_per_s") };
        let mut pressures = c.follow(&mut tank, 0.0, &[off], 0.1, engine);
        let left = long - off;
        let after = Draw { purge_m3_per_s: 0.0, ..engine };
        pressures.extend(c.follow(&mut tank, off, &[off + 0.2 * left, off + 0.5 * left, long], 0.1, after));
        pressures
    };
    hold("pull", 100, |expected, peak| 2.0 + 0.01 * expected.abs() + 0.01 * peak, ours);
}
