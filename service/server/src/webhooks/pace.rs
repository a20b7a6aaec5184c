//! When the next attempt is due. Pure: chance is an argument.

/// The longest pause between two attempts, seconds.
const LONGEST_S: u64 = 6 * 3_600;

/// Milliseconds until the next attempt, when so many were made: three times as long each time, less up to half by
/// `chance` (0 to 1), so that what failed together does not come back together; never before the receiver asked for.
pub fn pause_ms(first_s: u64, attempts: u64, chance: f64, asked_s: Option<u64>) -> i64 {
    let power = u32::try_from(attempts.saturating_sub(1)).unwrap_or(u32::MAX).min(20);
    let whole_s = first_s.saturating_mul(3_u64.saturating_pow(power)).min(LONGEST_S);
    let share = 1.0 - chance.clamp(0.0, 1.0) / 2.0;
    let ms = (whole_s as f64 * 1_000.0 * share) as i64;
    ms.max(asked_s.unwrap_or(0).min(LONGEST_S) as i64 * 1_000)
}

#[cfg(test)]
mod tests {
    use super::pause_ms;

    #[test]
    fn pauses_grow_up_to_six_hours_and_chance_halves_them_at_most() {
        let whole: Vec<i64> = (1..=6).map(|attempts| pause_ms(5, attempts, 0.0, None) / 1_000).collect();
        assert_eq!(whole, [5, 15, 45, 135, 405, 1_215]);
        assert_eq!(pause_ms(5, 1, 1.0, None), 2_500);
        assert_eq!(pause_ms(5, 1, 0.5, None), 3_750);
        assert_eq!(pause_ms(5, 40, 0.0, None), 21_600_000);
        assert_eq!(pause_ms(u64::MAX, u64::MAX, 0.0, Some(u64::MAX)), 21_600_000);
        assert_eq!(pause_ms(5, 1, 0.5, Some(60)), 60_000, "as the receiver asked");
        assert_eq!(pause_ms(5, 6, 0.0, Some(60)), 1_215_000);
    }
}
