//! Findings as JSON: one object on one line, fields in the order of their structs.

use super::Error;
use crate::grade::verdict::Findings;

/// One line without its line end. Always SI. Times are rounded to milliseconds, evidence to four decimals; what
/// is not a finite number is `null`.
pub fn line(findings: &Findings) -> Result<String, Error> {
    serde_json::to_string(findings).map_err(|e| Error::Write { what: "JSON".to_owned(), source: e.into() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grade::verdict::*;
    use crate::trade::Subject;
    use std::collections::BTreeMap;

    fn findings() -> Findings {
        let finding = Finding {
            test: Test::KeyOffSoak,
            verdict: Verdict::Pass,
            start_s: Some(Secs(0.000_49)),
            end_s: Some(Secs(4_321.123_456)),
            decided_s: Some(Secs(f64::NAN)),
            withdrawn_by: None,
            rule: "r".into(),
            reasons: vec!["first \"quoted\"\nsecond line".into()],
            next: String::new(),
            evidence: BTreeMap::from([
                ("b_pa".to_owned(), Evidence::from(f64::INFINITY)),
                ("a_k".to_owned(), Evidence::from(-0.000_01)),
            ]),
            leak_mm: Some(LeakMm { low: Num(0.1), best: Num(f64::NAN), high: Num(0.3) }),
            night_mm: None,
        };
        Findings {
            capture: "van-07".into(),
            profile: "switch-module".into(),
            version: "0.1.0".into(),
            duration_s: Secs(43_200.0),
            records: 3,
            undecoded: 0,
            gaps: vec![GapSpan { start_s: Secs(1.0), end_s: Secs(2.0), link: "bench".into(), cause: "c".into() }],
            phases: vec![PhaseSpan { phase: Phase::PurgeRun, start_s: Secs(0.0), end_s: Secs(1.0) }],
            tests: vec![finding],
            summary: Test::of(Subject::Vehicle).iter().map(|t| (*t, Verdict::NotRun)).collect(),
            counts: Test::of(Subject::Vehicle).iter().map(|t| (*t, Counts::default())).collect(),
            notices: vec![],
            strokes: None,
            part: None,
            causes: None,
            guide: None,
            known_leak: None,
            controller: None,
        }
    }

    /// Keys of the outermost object, in the order they stand in the text.
    fn keys(json: &str) -> Vec<&str> {
        let (mut depth, mut keys, mut rest) = (0, vec![], json);
        while let Some(c) = rest.chars().next() {
            rest = &rest[1..];
            match c {
                '{' | '[' => depth += 1,
                '}' | ']' => depth -= 1,
                '"' => {
                    let end = rest.char_indices().scan(false, |esc, (i, c)| {
                        let here = c == '"' && !*esc;
                        *esc = c == '\\' && !*esc;
                        Some((i, here))
                    });
                    let end = end.filter(|(_, here)| *here).map(|(i, _)| i).next().unwrap();
                    if depth == 1 && rest[end + 1..].starts_with(':') {
                        keys.push(&rest[..end]);
                    }
                    rest = &rest[end + 1..];
                }
                _ => {}
            }
        }
        keys
    }

    #[test]
    fn the_fields_stand_in_the_order_outsiders_were_promised() {
        let line = line(&findings()).unwrap();
        assert!(!line.contains('\n'));
        // The project's own written face.
        let promised = "capture profile version duration_s records undecoded gaps phases tests summary counts";
        assert_eq!(keys(&line)[..11].join(" "), promised);
        let test = &line[line.find("{\"test\"").unwrap()..];
        let promised = "test verdict start_s end_s decided_s withdrawn_by rule reasons next evidence leak_mm night_mm";
        assert_eq!(keys(&test[..=test.find("\"night_mm\":null}").unwrap() + 15]).join(" "), promised);
        assert!(line.contains("\"summary\":{\"key_off_soak\":\"not_run\",\"start_vent\":"));
        assert!(line.contains("\"phase\":\"purge_run\""));
    }

    #[test]
    fn another_json_reader_takes_it_and_finds_no_nan() {
        let text = line(&findings()).unwrap();
        let v: serde_json::Value = serde_json::from_str(&text).unwrap();
        let t = &v["tests"][0];
        assert_eq!(t["start_s"], 0.0);
        assert_eq!(t["end_s"], 4_321.123);
        assert!(t["decided_s"].is_null() && t["leak_mm"]["best"].is_null() && t["evidence"]["b_pa"].is_null());
        assert_eq!(t["evidence"]["a_k"].to_string(), "0.0", "no negative zero");
        assert!(!text.contains("NaN") && !text.contains("inf"));
    }
}
