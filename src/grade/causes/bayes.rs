//! The arithmetic: Bayes' rule over a row of states, entropy, and what an outcome still to come is expected to tell.

/// Probabilities of the states after all of `likelihoods` (each a row, one number a state), which are independent of
/// each other given the state. The prior where nothing fits at all.
pub(super) fn posterior(prior: &[f64], likelihoods: &[&[f64]]) -> Vec<f64> {
    let product = |i: usize, p: f64| likelihoods.iter().fold(p, |p, row| p * row[i]);
    let mut out: Vec<f64> = prior.iter().enumerate().map(|(i, p)| product(i, *p)).collect();
    let total: f64 = out.iter().sum();
    if total <= 0.0 {
        return prior.to_vec();
    }
    out.iter_mut().for_each(|p| *p /= total);
    out
}

/// Shannon's entropy of a distribution, bits.
pub(super) fn entropy_bits(p: &[f64]) -> f64 {
    p.iter().filter(|p| **p > 0.0).map(|p| -p * libm::log2(*p)).sum()
}

/// Expected gain of information about the state by a test, bits: the entropy now less the mean entropy after each of
/// its outcomes. `outcomes` holds, for each outcome, its probability in each state.
pub(super) fn information_bits(p: &[f64], outcomes: &[Vec<f64>]) -> f64 {
    let after: f64 = outcomes
        .iter()
        .map(|row| {
            let chance: f64 = p.iter().zip(row).map(|(p, l)| p * l).sum();
            if chance > 0.0 { chance * entropy_bits(&posterior(p, &[row])) } else { 0.0 }
        })
        .sum();
    (entropy_bits(p) - after).max(0.0)
}

/// Natural logarithm of the odds of `p`, kept finite.
pub(super) fn log_odds(p: f64) -> f64 {
    let p = p.clamp(1e-9, 1.0 - 1e-9);
    libm::log(p / (1.0 - p))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn bayes_by_hand() {
        // A hundred vehicles, 10 of them leak. A test fails 9 of the 10 and 9 of the other 90: of 18 that fail 9 leak.
        let p = posterior(&[0.9, 0.1], &[&[0.1, 0.9]]);
        assert!((p[1] - 0.5).abs() < 1e-12);
        // Failed twice, independently: 8.1 of 9 that leak (10 · 0.81) against 0.9 of 90 · 0.01 that do not: 9 in 10.
        let p = posterior(&[0.9, 0.1], &[&[0.1, 0.9], &[0.1, 0.9]]);
        assert!((p[1] - 0.9).abs() < 1e-12);
        assert_eq!(posterior(&[0.7, 0.3], &[]), [0.7, 0.3]);
        assert_eq!(posterior(&[0.7, 0.3], &[&[0.0, 0.0]]), [0.7, 0.3], "what fits nothing tells nothing");
        assert!((log_odds(0.8) - libm::log(4.0)).abs() < 1e-12);
    }

    #[test]
    fn information_of_known_channels() {
        // Cover and Thomas, Elements of Information Theory (from memory): a fair coin holds one bit, one of four equal
        // cases two; a perfect test of the coin gives the whole bit, a blind one none.
        let coin = [0.5, 0.5];
        assert!((entropy_bits(&coin) - 1.0).abs() < 1e-12 && (entropy_bits(&[0.25; 4]) - 2.0).abs() < 1e-12);
        assert!((information_bits(&coin, &[vec![1.0, 0.0], vec![0.0, 1.0]]) - 1.0).abs() < 1e-12);
        assert!(information_bits(&coin, &[vec![0.5, 0.5], vec![0.5, 0.5]]).abs() < 1e-12);
        // Binary symmetric channel that errs in 11 of 100: 1 − H(0.11) = 0.500 bit (its usual example).
        let noisy = information_bits(&coin, &[vec![0.89, 0.11], vec![0.11, 0.89]]);
        assert!((noisy - 0.5).abs() < 1e-3, "{noisy}");
        // Binary erasure channel that loses a quarter: 0.75 bit.
        let erased = information_bits(&coin, &[vec![0.75, 0.0], vec![0.25, 0.25], vec![0.0, 0.75]]);
        assert!((erased - 0.75).abs() < 1e-12);
    }

    proptest! {
        /// It is the mutual information, Σ p(s)·p(o|s)·log2(p(o|s)/p(o)): symmetric form, computed the other way.
        #[test]
        fn information_is_the_mutual_information(raw in prop::collection::vec(0.01f64..1.0, 4), a in prop::collection::vec(0.0f64..1.0, 4)) {
            let total: f64 = raw.iter().sum();
            let p: Vec<f64> = raw.iter().map(|v| v / total).collect();
            let outcomes = [a.clone(), a.iter().map(|v| 1.0 - v).collect::<Vec<f64>>()];
            let mut mutual = 0.0;
            for row in &outcomes {
                let chance: f64 = p.iter().zip(row).map(|(p, l)| p * l).sum();
                for (p, l) in p.iter().zip(row).filter(|(_, l)| **l > 0.0) {
                    mutual += p * l * libm::log2(l / chance);
                }
            }
            let gained = information_bits(&p, &outcomes);
            prop_assert!((gained - mutual).abs() < 1e-9);
            prop_assert!(gained <= entropy_bits(&p) + 1e-12);
        }
    }
}
