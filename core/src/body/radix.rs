//! Sorting by integer keys in linear time, whatever the keys are.

use super::starts::sum_up;

/// Bits per pass.
const DIGIT: u32 = 11;

/// The order that sorts `keys`; equal keys keep theirs. `bits` says how many low bits of a key are used.
pub(super) fn order(keys: &[u64], bits: u32) -> Vec<u32> {
    let mut from: Vec<u32> = (0..keys.len() as u32).collect();
    let mut to = vec![0; keys.len()];
    for pass in 0..bits.div_ceil(DIGIT) {
        let digit = |index: u32| (keys[index as usize] >> (pass * DIGIT)) as usize & ((1 << DIGIT) - 1);
        let mut starts = [0_u32; 1 << DIGIT];
        for index in &from {
            starts[digit(*index)] += 1;
        }
        if starts.iter().any(|count| *count as usize == keys.len()) {
            continue;
        }
        sum_up(&mut starts);
        for index in &from {
            let place = &mut starts[digit(*index)];
            to[*place as usize] = *index;
            *place += 1;
        }
        std::mem::swap(&mut from, &mut to);
    }
    from
}

#[cfg(test)]
mod tests {
    use super::order;

    #[test]
    fn equal_keys_keep_their_order_and_all_digits_count() {
        assert_eq!(order(&[1 << 40, 5, 1 << 40, 0, 5, (1 << 40) + 1], 42), [3, 1, 4, 0, 2, 5]);
        assert_eq!(order(&[], 42), [0_u32; 0]);
    }
}
