use super::*;

#[test]
fn turns_are_told_from_noise() {
    let v: Vec<(Stamp, f64)> = [0.0, 5.0, 10.0, 9.5, 10.2, 6.0, 6.3, 11.0, 2.0]
        .iter()
        .enumerate()
        .map(|(i, p)| (Stamp::from_secs(i as f64), *p))
        .collect();
    assert_eq!(turns(&v, 2.0), [4, 5, 7]);
    assert!(turns(&v[..5], 2.0).is_empty());
}

#[test]
fn the_longest_stand_within_a_band() {
    let v: Vec<(Stamp, f64)> = (0..100)
        .map(|i| (Stamp::from_secs(f64::from(i) * 0.1), if i < 40 { f64::from(i) } else { 40.0 + f64::from(i % 3) }))
        .collect();
    let (from, to) = stand(&v, 3.0, 5.0).unwrap();
    assert!((38..=40).contains(&from) && to == 100, "{from} {to}");
    assert_eq!(stand(&v, 3.0, 7.0), None);
}
