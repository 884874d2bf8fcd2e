//! Processor time, the system's on our behalf among it: other programs on the machine do not count.

use rustix::time::{ClockId, clock_gettime};

/// What a clock shows, s.
pub fn seconds(clock: ClockId) -> f64 {
    let t = clock_gettime(clock);
    t.tv_sec as f64 + t.tv_nsec as f64 * 1e-9
}

/// Of this process so far, s.
pub fn processor_s() -> f64 {
    seconds(ClockId::ProcessCPUTime)
}
