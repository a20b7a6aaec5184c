//! Valid files, mutated by the ten thousand: only a rig or a fault comes back.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::panic::{AssertUnwindSafe, catch_unwind};

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::demo::{character, variants};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::report::NotRunStatus;

const MUTATIONS: u32 = 10_000;

/// Marsaglia's xorshift64 (2003); the seed is fixed, so a failure comes again.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn below(&mut self, end: usize) -> usize {
        (self.next() % end.max(1) as u64) as usize
    }
}

#[test]
fn mutated_files_give_a_rig_or_a_fault() {
    let mut seeds: Vec<Vec<u8>> =
        variants("fiddler-porter", 300).into_iter().map(|variant| variant.document).collect();
    seeds.push(character("harbour-clerk", 300).unwrap().plan.to_string().into_bytes());
    let mut random = Random(0x9E37_79B9_7F4A_7C15);
    let profile = Profile::realtime();
    let request = Request::all(&profile, "2026-11-25".parse().unwrap());
    let limits =
        Limits { total_bytes: 8 << 20, decoded_bytes: 64 << 20, vertices: 200_000, ..Limits::default() };
    let (mut rigs, mut faults) = (0, 0);
    for number in 0..MUTATIONS {
        let mut bytes = seeds[random.below(seeds.len())].clone();
        for _ in 0..=random.below(3) {
            mutate(&mut bytes, &mut random);
        }
        let outcome = catch_unwind(AssertUnwindSafe(|| {
            let bundle = Bundle { model: Some(Upload { name: "x", bytes: &bytes }), ..Bundle::default() };
            let intake = read(&bundle, &limits).ok()?;
            // Every fourth rig is checked as well; all of them would take minutes without optimisation.
            if number % 4 == 0 {
                let report = run(&intake, &request, &Unobserved).ok()?;
                assert!(
                    report.not_run.iter().all(|n| n.status != NotRunStatus::Failed),
                    "{:?}",
                    report.not_run
                );
            }
            Some(())
        }));
        match outcome {
            Ok(Some(())) => rigs += 1,
            Ok(None) => faults += 1,
            Err(panic) => panic!("mutation {number} panicked: {:?}", panic.downcast_ref::<String>()),
        }
    }
    // Both ends are met, so the mutations are neither too mild nor too wild.
    assert!(rigs > 500 && faults > 500, "{rigs} rigs, {faults} faults");
}

fn mutate(bytes: &mut Vec<u8>, random: &mut Random) {
    if bytes.is_empty() {
        return;
    }
    let json_end = bytes
        .get(12..16)
        .and_then(|b| b.try_into().ok())
        .map_or(bytes.len(), |b| (u32::from_le_bytes(b) as usize + 20).min(bytes.len()));
    match random.below(8) {
        0 => {
            let at = random.below(bytes.len());
            bytes[at] ^= 1 << random.below(8);
        }
        1 => bytes.truncate(random.below(bytes.len())),
        2 => {
            // A number in the JSON becomes another.
            let digits: Vec<usize> =
                (20.min(json_end)..json_end).filter(|at| bytes[*at].is_ascii_digit()).collect();
            if !digits.is_empty() {
                let at = digits[random.below(digits.len())];
                bytes[at] = b'0' + random.below(10) as u8;
            }
        }
        3 => {
            let end = 20.min(bytes.len());
            let at = random.below(end);
            bytes[at] = random.next() as u8;
        }
        4 => {
            let (from, to) = (random.below(json_end), random.below(json_end));
            let piece = bytes[from.min(to)..(from.min(to) + 12).min(json_end)].to_vec();
            let at = from.max(to).min(bytes.len().saturating_sub(piece.len()));
            bytes[at..at + piece.len()].copy_from_slice(&piece);
        }
        5 => {
            for _ in 0..8 {
                let at = random.below(bytes.len());
                bytes[at] = [0, 0xFF, 0x7F, 0x80][random.below(4)];
            }
        }
        6 => {
            // NaN, infinity and a huge number in the binary part.
            let words = [f32::NAN, f32::INFINITY, 3e38, -1.0];
            let at = json_end + random.below(bytes.len().saturating_sub(json_end) / 4) * 4;
            if let Some(slot) = bytes.get_mut(at..at + 4) {
                slot.copy_from_slice(&words[random.below(4)].to_le_bytes());
            }
        }
        _ => {
            let at = random.below(json_end);
            if let Some(byte) = bytes.get_mut(at) {
                *byte = b"{}[],:\"\\0 -eE.n"[random.below(15)];
            }
        }
    }
}
