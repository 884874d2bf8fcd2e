//! Nuisance vectors for the ensembles: a Latin hypercube (McKay, Beckman, Conover 1979) whose permutations are drawn
//! from PCG-64 (O'Neill 2014) with a seed of the profile. Every coordinate takes each of its strata exactly once, so
//! that few members still cover each range evenly.

use rand_core::Rng;
use rand_pcg::Pcg64;

/// A table of `members` × `dims` numbers in 0..1.
pub(super) struct Hypercube {
    dims: usize,
    cells: Vec<f64>,
}

impl Hypercube {
    pub(super) fn new(members: usize, dims: usize, seed: u64) -> Hypercube {
        let mut pcg = Pcg64::new(u128::from(seed), 0x5ea1);
        let mut cells = vec![0.5; members * dims];
        for dim in 0..dims {
            let mut order: Vec<usize> = (0..members).collect();
            for i in (1..members).rev() {
                let j = ((u64::from(pcg.next_u32()) * (i as u64 + 1)) >> 32) as usize;
                order.swap(i, j);
            }
            for (member, stratum) in order.iter().enumerate() {
                cells[member * dims + dim] = (*stratum as f64 + 0.5) / members as f64;
            }
        }
        Hypercube { dims, cells }
    }

    pub(super) fn row(&self, member: usize) -> &[f64] {
        &self.cells[member * self.dims..(member + 1) * self.dims]
    }
}

/// `u` in 0..1 to the range, evenly.
pub(super) fn even(range: (f64, f64), u: f64) -> f64 {
    range.0 + (range.1 - range.0) * u
}

/// `u` in 0..1 to the range, evenly in the logarithm; for positive ranges.
pub(super) fn even_log(range: (f64, f64), u: f64) -> f64 {
    let low = range.0.max(1e-9);
    low * libm::exp(libm::log((range.1 / low).max(1.0)) * u)
}

/// The value below which a share `q` of the (sorted) values lies, linearly between order statistics.
pub(super) fn quantile_sorted(sorted: &[f64], q: f64) -> f64 {
    if sorted.is_empty() {
        return 0.0;
    }
    let place = (q * sorted.len() as f64 - 0.5).clamp(0.0, (sorted.len() - 1) as f64);
    let i = place as usize;
    let next = sorted[(i + 1).min(sorted.len() - 1)];
    let part = place - i as f64;
    // Both ends first, since infinity minus infinity is no number.
    if part == 0.0 || next == sorted[i] { sorted[i] } else { sorted[i] + (next - sorted[i]) * part }
}

/// The value below which a share `q` of the weight lies, of (value, weight) sorted by value.
pub(super) fn weighted_quantile(sorted: &[(f64, f64)], q: f64) -> f64 {
    let total: f64 = sorted.iter().map(|p| p.1).sum();
    let mut below = 0.0;
    for (value, weight) in sorted {
        below += weight;
        if below >= q * total && *weight > 0.0 {
            return *value;
        }
    }
    sorted.last().map_or(0.0, |p| p.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_stratum_once() {
        let h = Hypercube::new(16, 3, 7);
        for dim in 0..3 {
            let mut seen: Vec<usize> = (0..16).map(|m| (h.row(m)[dim] * 16.0) as usize).collect();
            seen.sort_unstable();
            assert_eq!(seen, (0..16).collect::<Vec<_>>());
        }
    }

    #[test]
    fn quantiles_of_a_few() {
        let v = [1.0, 2.0, 3.0, 4.0];
        assert_eq!(quantile_sorted(&v, 0.0), 1.0);
        assert_eq!(quantile_sorted(&v, 0.5), 2.5);
        assert_eq!(quantile_sorted(&v, 1.0), 4.0);
        assert_eq!(quantile_sorted(&[1.0, f64::INFINITY], 0.25), 1.0);
    }
}
