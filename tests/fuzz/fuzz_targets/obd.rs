//! Any answer is taken apart or refused with all its bytes accounted for, and its figures are scaled.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::wire::obd::{Answer, Pid54, answer, scaled, supported, value};

fuzz_target!(|data: &[u8]| match answer(data) {
    Ok(Answer::Live(all)) => {
        assert_eq!(all.iter().map(|(_, d)| d.len() + 1).sum::<usize>() + 1, data.len());
        for (pid, bytes) in all {
            for pid_54 in [Pid54::Signed, Pid54::Offset] {
                let v = value(pid, &bytes, pid_54, Some(500.0));
                assert!(v.is_none_or(|v| v.abs() <= 65_536.0));
            }
        }
    }
    Ok(Answer::Monitors(all)) => {
        assert_eq!(all.len() * 9 + 1, data.len());
        for m in all {
            assert!(scaled(m.scaling, m.value).is_none_or(|(v, _)| v.is_finite()));
        }
    }
    Ok(Answer::Makers(m)) => assert!(data.len() == 7 && m.component < 0x80),
    Ok(Answer::MonitorMask(first, mask)) => assert!(supported(first, mask).all(|m| m > first)),
    Ok(Answer::Codes(_, all)) => assert!(all.len() * 2 < data.len()),
    Ok(Answer::Frozen(..) | Answer::Info(..) | Answer::No(..)) | Err(_) => {}
});
