//! How far something that follows with a lag comes within a step.

/// Shares of the way to equilibrium, `1 − exp(−dt/lag)`. The same few steps and lags come again and again, so answers
/// are kept: what is given is always what the formula gives.
#[derive(Debug, Clone)]
pub struct Relax {
    kept: Vec<(f64, f64, f64)>,
}

const KEPT: usize = 256;

impl Default for Relax {
    fn default() -> Relax {
        Relax { kept: vec![(f64::NAN, f64::NAN, f64::NAN); KEPT] }
    }
}

impl Relax {
    /// The share after `dt` seconds with time constant `lag`, s.
    pub fn share(&mut self, dt: f64, lag: f64) -> f64 {
        let mixed = (dt.to_bits().rotate_left(29) ^ lag.to_bits()).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let kept = &mut self.kept[(mixed >> 32) as usize % KEPT];
        if kept.0 != dt || kept.1 != lag {
            *kept = (dt, lag, relaxed(dt, lag));
        }
        kept.2
    }
}

/// The formula.
fn relaxed(dt: f64, lag: f64) -> f64 {
    -libm::expm1(-dt / lag)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_is_what_the_formula_gives() {
        // 1 − 1/e after one time constant.
        assert!((relaxed(3.0, 3.0) - 0.632_120_558_828_557_7).abs() < 1e-15);
        let mut relax = Relax::default();
        for round in 0..3 {
            for dt in [0.005, 0.01, 0.02, 0.05, 0.1, 1.0, 0.017, 0.033] {
                for i in 0..40 {
                    let lag = 0.12 + 13.7 * f64::from(i);
                    assert_eq!(relax.share(dt, lag), relaxed(dt, lag), "{round}");
                }
            }
        }
    }
}
