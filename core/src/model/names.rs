//! Spelling help: "did you mean".

/// Longer names than this are no slips of a pen, and comparing them costs the square of their length.
const LONGEST: usize = 48;
/// Beyond this many candidates no help is given.
const MOST: usize = 2_000;

/// The candidate closest in spelling to `name`, if it is close enough to be a slip (at most a third of the letters).
pub fn nearest<'a>(name: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    if name.len() > LONGEST {
        return None;
    }
    let allowed = (name.chars().count() / 3).max(1);
    candidates
        .into_iter()
        .take(MOST)
        .filter(|candidate| candidate.len() <= LONGEST && candidate.len().abs_diff(name.len()) <= allowed * 4)
        .map(|candidate| (strsim::damerau_levenshtein(name, candidate), candidate))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, candidate)| (*distance, candidate.len()))
        .map(|(_, candidate)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_is_mended_and_a_different_word_is_not() {
        assert_eq!(nearest("hisp", ["hips", "head"]), Some("hips"));
        assert_eq!(nearest("tail", ["hips", "head"]), None);
    }
}
