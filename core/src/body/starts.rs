//! Lists of many, one after the other in one array: where each begins.

/// Counts to starts; how many there are in all.
pub(crate) fn sum_up(counts: &mut [u32]) -> u32 {
    let mut sum = 0;
    for count in counts {
        sum += std::mem::replace(count, sum);
    }
    sum
}
