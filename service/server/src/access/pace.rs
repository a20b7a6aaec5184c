//! How often: a bucket of one minute's worth that fills evenly, for each key (the generic cell rate algorithm, ITU-T
//! I.371: one time per key is all that is kept).
//!
//! What is left is told by the fields of draft-ietf-httpapi-ratelimit-headers-10, which is a draft and may change.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

/// Keys at once; what has recovered is forgotten first, and beyond that all newcomers share one.
const MOST: usize = 20_000;
const MINUTE_US: u64 = 60_000_000;
/// The key of those for whom there is no room.
const SHARED: &str = "";

/// Buckets by key. Times are microseconds of a clock that never goes back.
#[derive(Debug)]
pub struct Pace {
    quota: u64,
    /// When each bucket will be full again.
    full_at: Mutex<HashMap<String, u64>>,
}

/// What came of taking one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Taken {
    /// Whether there was one.
    pub granted: bool,
    /// The most there can be.
    pub quota: u64,
    /// What is left.
    pub left: u64,
    /// Seconds until all are back, rounded up.
    pub full_in_s: u64,
    /// Seconds until there is one; 0 where one was granted.
    pub retry_s: u64,
}

impl Pace {
    /// So many in a minute, all of them at once if need be.
    pub fn per_minute(quota: u32) -> Self {
        Self { quota: u64::from(quota.max(1)), full_at: Mutex::default() }
    }

    /// What one costs.
    fn step(&self) -> u64 {
        (MINUTE_US / self.quota).max(1)
    }

    /// Takes one.
    pub fn take(&self, key: &str, now_us: u64) -> Taken {
        let mut full_at = self.full_at.lock().unwrap_or_else(PoisonError::into_inner);
        self.take_in(&mut full_at, key, now_us)
    }

    fn take_in(&self, full_at: &mut HashMap<String, u64>, key: &str, now_us: u64) -> Taken {
        if full_at.len() >= MOST && !full_at.contains_key(key) {
            full_at.retain(|_, at| *at > now_us);
        }
        let key = if full_at.len() >= MOST && !full_at.contains_key(key) { SHARED } else { key };
        let at = full_at.get(key).copied().unwrap_or(0).max(now_us);
        let after = at + self.step();
        let granted = after - now_us <= MINUTE_US;
        let stands = if granted { after } else { at };
        if granted {
            full_at.insert(key.to_owned(), after);
        }
        let missing = stands - now_us;
        Taken {
            granted,
            quota: self.quota,
            left: (MINUTE_US.saturating_sub(missing) / self.step()).min(self.quota),
            full_in_s: missing.div_ceil(1_000_000),
            retry_s: if granted { 0 } else { (after - now_us - MINUTE_US).div_ceil(1_000_000).max(1) },
        }
    }

    /// Seconds until there is one, where there is none.
    pub fn spent(&self, key: &str, now_us: u64) -> Option<u64> {
        let full_at = self.full_at.lock().unwrap_or_else(PoisonError::into_inner);
        self.spent_in(&full_at, key, now_us)
    }

    fn spent_in(&self, full_at: &HashMap<String, u64>, key: &str, now_us: u64) -> Option<u64> {
        let crowded = full_at.len() >= MOST && !full_at.contains_key(key);
        let at = full_at.get(if crowded { SHARED } else { key }).copied().unwrap_or(0).max(now_us);
        let over = (at + self.step() - now_us).saturating_sub(MINUTE_US);
        (over > 0).then(|| over.div_ceil(1_000_000).max(1))
    }

    /// Looks while there is one left, and takes it unless the look says that it was free; nobody comes in between.
    pub fn unless_spent<T>(
        &self,
        key: &str,
        now_us: u64,
        look: impl FnOnce() -> (T, bool),
    ) -> Result<T, u64> {
        let mut full_at = self.full_at.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(retry_s) = self.spent_in(&full_at, key, now_us) {
            return Err(retry_s);
        }
        let (seen, free) = look();
        if !free {
            self.take_in(&mut full_at, key, now_us);
        }
        Ok(seen)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: u64 = 1_000_000;

    /// Worked out by hand: six a minute is one every ten seconds, and six at once.
    #[test]
    fn a_minutes_worth_at_once_and_then_evenly() {
        let pace = Pace::per_minute(6);
        for left in (0..6).rev() {
            let taken = pace.take("farm", SECOND);
            assert_eq!((taken.granted, taken.left, taken.full_in_s), (true, left, (6 - left) * 10));
        }
        let refused = pace.take("farm", SECOND);
        assert_eq!((refused.granted, refused.left, refused.retry_s), (false, 0, 10));
        assert!(pace.take("desk", SECOND).granted, "another key has its own");
        assert_eq!(pace.take("farm", 8 * SECOND).retry_s, 3);
        assert!(pace.take("farm", 11 * SECOND).granted);
        assert!(!pace.take("farm", 11 * SECOND).granted);
        assert_eq!(pace.take("farm", 600 * SECOND).left, 5, "it never holds more than a minute's worth");
    }

    #[test]
    fn a_free_look_costs_nothing_and_a_spent_one_is_none() {
        let pace = Pace::per_minute(2);
        for _ in 0..10 {
            assert_eq!(pace.unless_spent("desk", 0, || ((), true)), Ok(()));
        }
        assert_eq!(pace.unless_spent("desk", 0, || ((), false)), Ok(()));
        assert_eq!(pace.spent("desk", 0), None);
        assert_eq!(pace.unless_spent("desk", 0, || ((), false)), Ok(()));
        assert_eq!(pace.spent("desk", 0), Some(30));
        let mut looked = false;
        assert_eq!(pace.unless_spent("desk", 0, || (looked = true, true)), Err(30));
        assert!(!looked);
    }

    #[test]
    fn the_number_of_keys_is_bounded_and_newcomers_share_what_is_left() {
        let pace = Pace::per_minute(1);
        for at in 0..MOST {
            assert!(pace.take(&format!("{at}"), 0).granted);
        }
        assert!(pace.take("late", 0).granted);
        assert!(!pace.take("later", 0).granted, "the shared one is spent");
        assert_eq!(pace.spent("later", 0), Some(60));
        assert!(pace.take("much later", 61 * SECOND).granted, "those that recovered made room");
        assert!(pace.full_at.lock().is_ok_and(|kept| kept.len() < 10));
    }
}
