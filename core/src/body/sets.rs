//! Disjoint sets as an array of who is above whom; the lowest of a set is its root.

/// The root of the set that something is in; the way there is shortened.
pub(crate) fn root(above: &mut [u32], of: u32) -> u32 {
    let mut at = of;
    while above[at as usize] != at {
        above[at as usize] = above[above[at as usize] as usize];
        at = above[at as usize];
    }
    at
}

/// Makes two sets one.
pub(crate) fn join(above: &mut [u32], a: u32, b: u32) {
    let (a, b) = (root(above, a), root(above, b));
    above[a.max(b) as usize] = a.min(b);
}
