//! Any bytes whatever: reading gives a rig or a fault, and every check over that rig runs to its end.
#![no_main]

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::report::NotRunStatus;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    // Small limits, so that what is found is a fault of logic and not the fuzzer's own limit of memory.
    let limits = Limits {
        total_bytes: 4 << 20,
        decoded_bytes: 16 << 20,
        vertices: 100_000,
        indices: 600_000,
        animation_values: 1_000_000,
        ..Limits::default()
    };
    let model = Some(Upload { name: "x", bytes });
    let Ok(intake) = read(&Bundle { model, ..Bundle::default() }, &limits) else { return };
    let profile = Profile::realtime();
    let request = Request::all(&profile, jiff::civil::date(2026, 11, 25));
    match run(&intake, &request, &Unobserved) {
        Ok(report) => {
            let failed = report.not_run.iter().find(|entry| entry.status == NotRunStatus::Failed);
            assert!(failed.is_none(), "a check panicked: {failed:?}");
        }
        // A profile or waiver inside the input may be wrong; that is an answer too.
        Err(_) => {}
    }
});
