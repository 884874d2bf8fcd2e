//! How sure a counted share is; for the tables that tests print.
#![allow(dead_code)]

/// 95 % bounds of a share by Wilson's score (E. B. Wilson, 1927; the formula from memory), 0 to 1.
pub fn bounds(k: u32, n: u32) -> (f64, f64) {
    if n == 0 {
        return (0.0, 1.0);
    }
    let (k, n, z) = (f64::from(k), f64::from(n), 1.959_964);
    let p = k / n;
    let centre = p + z * z / (2.0 * n);
    let half = z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    let by = 1.0 + z * z / n;
    (((centre - half) / by).max(0.0), (centre + half) / by)
}

/// A share and its bounds, in per cent.
pub fn wilson(k: u32, n: u32) -> String {
    if n == 0 {
        return "-".into();
    }
    let (low, high) = bounds(k, n);
    format!("{:5.1} % ({:.1} to {:.1})", 100.0 * f64::from(k) / f64::from(n), 100.0 * low, 100.0 * high)
}

#[test]
fn wilson_s_bounds_are_the_known_ones() {
    // 0 of 10 and 5 of 10: 0 to 27.8 % and 23.7 to 76.3 %, computed by hand from the formula.
    assert_eq!(wilson(0, 10), "  0.0 % (0.0 to 27.8)");
    assert_eq!(wilson(5, 10), " 50.0 % (23.7 to 76.3)");
}
