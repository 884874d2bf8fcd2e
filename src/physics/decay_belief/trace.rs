//! How well the pressure behind each hole follows the one that was seen.
//!
//! Pressures between two neighbouring holes are taken on the straight line between theirs, so that the sum of squared
//! misses at any place between follows from three sums: of the one's squares, of the other's, and of their products.
//! Each new pressure is added to these, and nothing is gone through twice.

use super::member::Member;
use super::row::{Lane, Leaks, Row, Steps};
use super::{HOLES, MEMBERS, square};
use crate::physics::posterior::{CELLS, FINE};

/// A trace's points share their model error: together they count as this many.
const WORTH: f64 = 8.0;

/// The trace so far.
#[derive(Debug, Clone)]
pub(super) struct Trace {
    rows: Vec<Row>,
    /// Weighted squares of the misses behind each hole, and products with those behind the next smaller one.
    squares: Vec<Lane>,
    products: Vec<Lane>,
    steps: Steps,
    first_pa: f64,
    points: u32,
    lasted_s: f64,
}

impl Trace {
    /// From purge-off; `first_pa` is the first pressure seen.
    pub(super) fn new(starts: &[Row], first_pa: f64) -> Trace {
        Trace {
            rows: starts.to_vec(),
            squares: vec![[0.0; HOLES]; MEMBERS],
            products: vec![[0.0; HOLES]; MEMBERS],
            steps: Steps::default(),
            first_pa,
            points: 0,
            lasted_s: 0.0,
        }
    }

    /// How far the pressure has moved, Pa: there the model's error is worst.
    pub(super) fn moved(&self, pa: f64) -> f64 {
        pa - self.first_pa
    }

    /// Follows all members to `at` (s from purge-off).
    pub(super) fn follow(&mut self, members: &[(Member, Leaks)], at: f64) {
        let mut steps = Vec::new();
        while self.steps.at < at {
            steps.push(self.steps.next(at));
        }
        for (row, (m, leaks)) in self.rows.iter_mut().zip(members) {
            row.decay(m, leaks, &steps);
        }
    }

    /// Weighs `pa` against the pressures now.
    pub(super) fn weigh(&mut self, members: &[(Member, Leaks)], zero_pa: f64, pa: f64, lasted_s: f64, weight: f64) {
        self.points += 1;
        self.lasted_s += lasted_s;
        let sums = self.squares.iter_mut().zip(&mut self.products);
        for ((row, (m, _)), (squares, products)) in self.rows.iter().zip(members).zip(sums) {
            let seen = pa - zero_pa * m.zero;
            let miss = row.pressure.map(|p| seen - p);
            for i in 0..HOLES {
                squares[i] += weight * square(miss[i]);
            }
            for i in 1..HOLES {
                products[i] += weight * miss[i] * miss[i - 1];
            }
        }
    }

    /// Adds its logarithm of the likelihood to every member and fine cell.
    pub(super) fn add_to(&self, log_like: &mut [f64]) {
        if self.lasted_s <= 0.0 {
            return;
        }
        let worth = -0.5 * WORTH.min(f64::from(self.points)) / self.lasted_s;
        for ((squares, products), row) in self.squares.iter().zip(&self.products).zip(log_like.chunks_exact_mut(CELLS))
        {
            row[0] += worth * squares[0];
            for (hole, cells) in row[1..].chunks_mut(FINE).enumerate() {
                let (a, next) = (squares[1 + hole], (2 + hole).min(HOLES - 1));
                for (i, cell) in cells.iter_mut().enumerate() {
                    let part = i as f64 / FINE as f64;
                    let rest = 1.0 - part;
                    let sum = rest * rest * a + 2.0 * rest * part * products[next] + part * part * squares[next];
                    *cell += worth * sum;
                }
            }
        }
    }
}
