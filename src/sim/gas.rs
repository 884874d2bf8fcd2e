//! Gas through holes, and the vapour over petrol: the simulator's own laws, on purpose not those of the judge.

use std::cell::OnceCell;

/// Gas constant, J/(mol·K). Source: SI 2019, exact to these digits.
pub const R: f64 = 8.314_462_618;
/// Molar mass of dry air, kg/mol (from memory, handbook).
pub const M_AIR: f64 = 0.028_965;
/// Molar mass of petrol vapour, kg/mol: mostly butanes and pentanes (from memory).
pub const M_VAPOUR: f64 = 0.066;
/// Molar heat capacity at constant pressure of air, J/(mol·K).
const CP_AIR: f64 = 29.1;
/// The same of petrol vapour, butane to pentane (from memory).
const CP_VAPOUR: f64 = 110.0;
/// Viscosity of air at 20 °C, Pa·s.
const VISCOSITY: f64 = 1.82e-5;

/// How the discharge coefficient of a hole is found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Discharge {
    /// A constant: textbook formulas, and holes of another kind.
    Fixed(f64),
    /// From the Reynolds number: falls off when creeping, about 0.7 in the hundreds, 0.61 when turbulent
    /// (shape from memory of published curves for sharp-edged orifices).
    Reynolds,
}

impl Discharge {
    fn at(self, reynolds: f64) -> f64 {
        match self {
            Discharge::Fixed(c) => c,
            Discharge::Reynolds => (0.605 + 0.145 / (1.0 + reynolds / 2000.0)) * (reynolds / (reynolds + 30.0)).sqrt(),
        }
    }
}

/// A gas that flows out through holes. What the flow needs of it again and again is worked out once.
#[derive(Debug, Clone)]
pub struct Gas {
    r_kelvin: f64,
    molar_mass: f64,
    gamma: f64,
    /// Critical pressure ratio, and the head of choked flow: found when first asked for.
    choking: OnceCell<(f64, f64)>,
}

impl Gas {
    /// At `kelvin`, with this mole fraction of vapour.
    pub fn new(kelvin: f64, vapour: f64) -> Gas {
        Gas {
            r_kelvin: R * kelvin,
            molar_mass: M_AIR + (M_VAPOUR - M_AIR) * vapour,
            gamma: gamma(vapour),
            choking: OnceCell::new(),
        }
    }

    /// Mass flow of isentropic nozzle flow, kg/(s·m²), choked below the critical ratio; for small pressure
    /// differences the series of that formula. 0 unless `pa` is higher than `down_pa`.
    pub fn flux(&self, pa: f64, down_pa: f64) -> f64 {
        if pa <= down_pa {
            return 0.0;
        }
        let g = self.gamma;
        let rho = pa * self.molar_mass / self.r_kelvin;
        let dp = pa - down_pa;
        let x = dp / pa;
        if x < 0.03 {
            return (2.0 * rho * dp).sqrt() * (1.0 - 0.75 * x / g);
        }
        let head = |r: f64| libm::pow(r, 2.0 / g) - libm::pow(r, (g + 1.0) / g);
        let (critical, choked) = *self.choking.get_or_init(|| {
            let critical = libm::pow(2.0 / (g + 1.0), g / (g - 1.0));
            (critical, head(critical))
        });
        let r = down_pa / pa;
        let head = if r > critical { head(r) } else { choked };
        (2.0 * g / (g - 1.0) * pa * rho * head).sqrt()
    }

    /// Moles a second of this gas through a round hole of `area` m² where the ideal `flux` is this.
    pub fn through(&self, area: f64, flux: f64, discharge: Discharge) -> f64 {
        if flux <= 0.0 || area <= 0.0 {
            return 0.0;
        }
        flux * area * discharge.at(reynolds(flux, area)) / self.molar_mass
    }

    /// Moles a second through a round hole of `area` m² toward `down_pa`; 0 unless `pa` is higher: isentropic nozzle
    /// flow times the discharge coefficient.
    pub fn flow(&self, area: f64, pa: f64, down_pa: f64, discharge: Discharge) -> f64 {
        self.through(area, self.flux(pa, down_pa), discharge)
    }
}

/// Ratio of heat capacities of an air-vapour mixture.
pub fn gamma(vapour: f64) -> f64 {
    let cp = CP_AIR + (CP_VAPOUR - CP_AIR) * vapour;
    cp / (cp - R)
}

/// The discharge coefficient of a sharp-edged hole of `area` m² in this ideal flux.
pub fn discharge_at(area: f64, flux: f64) -> f64 {
    Discharge::Reynolds.at(reynolds(flux, area))
}

fn reynolds(flux: f64, area: f64) -> f64 {
    flux * (area * 4.0 / std::f64::consts::PI).sqrt() / VISCOSITY
}

/// Petrol as three pseudo-components that share the vapour by Raoult's law, each with Antoine's constants
/// (log10 mmHg, °C; butane, pentane, heptane, from memory of the usual tables). Composition does not change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Petrol {
    butane: f64,
    pentane: f64,
}

const ANTOINE: [(f64, f64, f64); 3] =
    [(6.808_96, 935.86, 238.73), (6.852_21, 1064.63, 232.0), (6.902_40, 1268.115, 216.9)];
const PA_PER_MMHG: f64 = 133.322_4;
const LN_10: f64 = std::f64::consts::LN_10;

fn antoine(i: usize, celsius: f64) -> f64 {
    let (a, b, c) = ANTOINE[i];
    libm::exp(LN_10 * (a - b / (c + celsius))) * PA_PER_MMHG
}

impl Petrol {
    /// A blend of this Reid vapour pressure. The Reid test loses some of the light ends to its air chamber, so the
    /// true pressure at 37.8 °C (100 °F) is about 5 % higher (AP-42's table, from memory).
    pub fn with_rvp(rvp_pa: f64) -> Petrol {
        let pentane = 0.25;
        let (b, p, h) = (antoine(0, 37.78), antoine(1, 37.78), antoine(2, 37.78));
        let butane = (1.05 * rvp_pa - pentane * p - (1.0 - pentane) * h) / (b - h);
        Petrol { butane: butane.clamp(0.0, 0.4), pentane }
    }

    /// Saturation pressure of the vapour, Pa.
    pub fn pressure(&self, kelvin: f64) -> f64 {
        let c = (kelvin - 273.15).clamp(-60.0, 90.0);
        self.butane * antoine(0, c) + self.pentane * antoine(1, c) + (1.0 - self.butane - self.pentane) * antoine(2, c)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn boiling_points_of_the_components() {
        // Normal boiling points, handbook values from memory: butane −0.5 °C, pentane 36.1 °C, heptane 98.4 °C.
        for (i, boil) in [(0, -0.5), (1, 36.07), (2, 98.43)] {
            assert!((antoine(i, boil) / 101_325.0 - 1.0).abs() < 0.01, "{i}");
        }
    }

    #[test]
    fn petrol_lies_near_the_published_table() {
        // EPA AP-42 ch. 7.1, from memory: RVP 10 psi at 60 °F 5.2 psi, at 80 °F 7.4 psi. Another law, so 10 %.
        let p = Petrol::with_rvp(10.0 * 6_894.757);
        for (f, psi) in [(60.0, 5.2), (80.0, 7.4)] {
            let got = p.pressure((f - 32.0) / 1.8 + 273.15) / 6_894.757;
            assert!((got / psi - 1.0_f64).abs() < 0.10, "{f} °F: {got}");
        }
    }

    #[test]
    fn choked_air_flow_as_the_handbooks_have_it() {
        // Critical mass flow of air: 0.0404·A·P/√T kg/s (SI, γ = 1.4; handbook, from memory).
        let got = Gas::new(293.15, 0.0).flow(1e-6, 100_000.0, 30_000.0, Discharge::Fixed(1.0)) * M_AIR;
        let want = 0.0404 * 1e-6 * 100_000.0 / 293.15_f64.sqrt();
        assert!((got / want - 1.0).abs() < 0.003, "{got} {want}");
    }

    #[test]
    fn the_series_joins_the_full_formula() {
        let gas = Gas::new(293.15, 0.2);
        let a = gas.flow(1e-6, 100_000.0, 97_001.0, Discharge::Fixed(0.6));
        let b = gas.flow(1e-6, 100_000.0, 96_999.0, Discharge::Fixed(0.6));
        assert!((b / a - 1.0).abs() < 0.002, "{a} {b}");
    }

    #[test]
    fn discharge_stays_in_the_known_band() {
        // Trade facts: about 0.6 to 0.8 for sharp edges, Reynolds in the hundreds at these sizes.
        for re in [200.0, 500.0, 1000.0, 5000.0, 50_000.0] {
            let c = Discharge::Reynolds.at(re);
            assert!((0.6..0.75).contains(&c), "{re}: {c}");
        }
    }
}
