//! What names say: exporter numbering (D21) and side tokens (D12). Conventions are inferred, never imposed.
//!
//! A name alone can mislead: it may hold two side tokens, or a letter that is none. So the names of a rig are read
//! together: a token is *paired* when the name with the other side in its place is a name of the rig too (numbers apart).
//! How paired tokens stand in their names is the rig's convention, and decides where a name alone does not.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use super::side_words::{ANYWHERE, CENTRE, LETTERS, NO_SIDE, PAIRS};
use crate::model::{JointId, Rig, Side};

/// Longer names are read by their words only, and no name by more tokens than this.
const LONGEST: usize = 128;
const MOST_CANDIDATES: usize = 24;
const MOST_TOKENS: usize = 16;
/// No word for a side has more bytes than this.
const LONGEST_WORD: usize = 24;
/// Names that must be paired before a token counts that is not sure alone: two pairs.
const CONVENTION: u32 = 4;
/// A letter that runs through this many others in its place is a series (a, b, c …), no side.
const SERIES: usize = 3;

/// A side token inside a name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SideToken {
    /// The side it says.
    pub side: Side,
    /// Byte range of the token in the name.
    pub range: Range<usize>,
    /// The word for the other side; empty for the centre.
    other: &'static str,
    /// Tokens elsewhere in the name that say the same side and change with it.
    also: Vec<(Range<usize>, &'static str)>,
}

impl SideToken {
    /// The same name for the other side, in the same style and case; `None` for the centre.
    pub fn swapped(&self, name: &str) -> Option<String> {
        if self.side == Side::Centre {
            return None;
        }
        let mut places: Vec<(&Range<usize>, &str)> = vec![(&self.range, self.other)];
        places.extend(self.also.iter().map(|(range, other)| (range, *other)));
        exchanged(name, places)
    }

    /// The name without what says the side, and without the separator that stood beside it.
    pub fn stem(&self, name: &str) -> String {
        let mut ranges: Vec<&Range<usize>> =
            std::iter::once(&self.range).chain(self.also.iter().map(|(range, _)| range)).collect();
        ranges.sort_by_key(|range| range.start);
        let mut out = name.to_owned();
        for range in ranges.into_iter().rev() {
            if out.get(range.clone()).is_none() {
                continue;
            }
            out.replace_range(range.clone(), "");
            let separator = |c: char| matches!(c, '_' | '.' | '-' | ' ');
            let after = out[range.start..].starts_with(separator);
            let before = out[..range.start].ends_with(separator);
            if after && (before || range.start == 0) {
                out.remove(range.start);
            } else if before && range.start == out.len() {
                out.pop();
            }
        }
        out
    }
}

/// The name with words exchanged, each in the case of the one it replaces.
fn exchanged(name: &str, mut places: Vec<(&Range<usize>, &str)>) -> Option<String> {
    places.sort_by_key(|(range, _)| std::cmp::Reverse(range.start));
    let mut out = name.to_owned();
    for (range, other) in places {
        let token = name.get(range.clone())?;
        out.replace_range(range.clone(), &styled(token, other));
    }
    Some(out)
}

fn styled(token: &str, other: &str) -> String {
    let mut chars = token.chars();
    let first_upper = chars.next().is_some_and(char::is_uppercase);
    let rest_upper = chars.clone().next().is_some() && chars.all(|c| !c.is_lowercase());
    if first_upper && (rest_upper || token.chars().count() == 1) {
        other.to_uppercase()
    } else if first_upper {
        let mut letters = other.chars();
        letters.next().map(|c| c.to_uppercase().chain(letters).collect()).unwrap_or_default()
    } else {
        other.to_owned()
    }
}

/// What the names of a rig say.
#[derive(Debug)]
pub struct Names {
    /// Names end in running numbers that an exporter appended.
    pub exporter_numbers: bool,
    /// The name without the exporter's number, per joint; empty where there is no name.
    pub plain: Vec<String>,
    /// The side each name says.
    pub sides: Vec<Option<SideToken>>,
}

impl Names {
    pub(super) fn new(rig: &Rig) -> Self {
        let names: Vec<&str> = rig.joints.iter().map(|j| j.name.as_deref().unwrap_or("")).collect();
        let named = names.iter().filter(|name| !name.is_empty()).count();
        let numbers: Vec<&str> =
            names.iter().filter_map(|name| trailing_number(name)).map(|(_, n)| n).collect();
        let distinct: BTreeSet<&&str> = numbers.iter().collect();
        // Names were unique before an exporter numbered them; where they were not, the numbers are their author's.
        let stems: BTreeSet<&str> =
            names.iter().filter_map(|name| trailing_number(name)).map(|(s, _)| s).collect();
        let exporter_numbers = named >= 4
            && numbers.len() * 10 >= named * 8
            && distinct.len() * 100 >= numbers.len() * 95
            && stems.len() * 10 >= numbers.len() * 6;
        let plain: Vec<String> = names
            .iter()
            .map(|name| match trailing_number(name) {
                Some((stem, _)) if exporter_numbers => stem.to_owned(),
                _ => (*name).to_owned(),
            })
            .collect();
        let sides = read_together(&plain);
        Self { exporter_numbers, plain, sides }
    }

    /// The side a joint's name says.
    pub fn side(&self, joint: JointId) -> Option<Side> {
        self.sides[joint.index()].as_ref().map(|token| token.side)
    }

    /// Left or right, if a joint's name says so.
    pub fn sided(&self, joint: JointId) -> Option<Side> {
        self.side(joint).filter(|side| *side != Side::Centre)
    }

    /// The name a joint's twin would have, without an exporter's number.
    pub fn mate(&self, joint: JointId) -> Option<String> {
        self.sides[joint.index()].as_ref()?.swapped(&self.plain[joint.index()])
    }
}

/// A separator and digits at the end.
fn trailing_number(name: &str) -> Option<(&str, &str)> {
    let stem = name.trim_end_matches(|c: char| c.is_ascii_digit());
    let digits = &name[stem.len()..];
    let cut = stem.strip_suffix(['.', '_', '-', ' '])?;
    (!digits.is_empty() && !cut.is_empty()).then_some((cut, digits))
}

/// The side token of a name by itself.
pub fn side_token(name: &str) -> Option<SideToken> {
    let candidates = candidates(name);
    best(name, &candidates, &vec![false; candidates.len()], &Convention::default())
}

/// How a token stands in its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Stand {
    /// Run together with other letters.
    Glued,
    /// A camel-case word of its own.
    Word,
    /// Between separators or ends of the name.
    Whole,
}

/// Where it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Place {
    First,
    Inner,
    Last,
}

/// What tokens of one convention share.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Form {
    pair: usize,
    stand: Stand,
    place: Place,
}

/// What may be a side.
#[derive(Debug, Clone)]
struct Candidate {
    side: Side,
    range: Range<usize>,
    form: Form,
    sure: bool,
}

impl Candidate {
    fn other(&self) -> &'static str {
        let pair = &PAIRS[self.form.pair];
        if self.side == Side::Left { pair.right } else { pair.left }
    }

    fn letter(&self) -> bool {
        self.range.len() == 1
    }
}

/// How many names are paired, by form.
#[derive(Debug, Default)]
struct Convention {
    paired: BTreeMap<Form, u32>,
    /// Some form pairs names twice over.
    known: bool,
}

impl Convention {
    fn seen(&self, candidate: &Candidate) -> u32 {
        self.paired.get(&candidate.form).copied().unwrap_or(0)
    }

    fn accepts(&self, candidate: &Candidate, paired: bool) -> bool {
        let seen = self.seen(candidate);
        match (candidate.sure, paired) {
            (true, true) => true,
            (true, false) => {
                !candidate.letter() || candidate.form.stand == Stand::Whole || seen > 0 || !self.known
            }
            (false, true) => seen >= CONVENTION,
            (false, false) => seen >= CONVENTION && candidate.form.stand != Stand::Glued,
        }
    }
}

/// The side tokens of all names of a rig.
fn read_together(names: &[String]) -> Vec<Option<SideToken>> {
    let shapes: BTreeSet<String> =
        names.iter().filter(|n| n.len() <= LONGEST).map(|name| shape(name)).collect();
    let lists: Vec<Vec<Candidate>> = names.iter().map(|name| candidates(name)).collect();
    let mut convention = Convention::default();
    let mut paired: Vec<Vec<bool>> = Vec::with_capacity(names.len());
    for (name, list) in names.iter().zip(&lists) {
        let hits: Vec<bool> = list
            .iter()
            .map(|candidate| {
                exchanged(name, vec![(&candidate.range, candidate.other())])
                    .is_some_and(|other| shapes.contains(&shape(&other)))
                    && !(candidate.letter() && in_series(name, &candidate.range, &shapes))
            })
            .collect();
        for (candidate, hit) in list.iter().zip(&hits) {
            if *hit {
                *convention.paired.entry(candidate.form).or_default() += 1;
            }
        }
        paired.push(hits);
    }
    convention.known = convention.paired.values().any(|count| *count >= CONVENTION);
    names
        .iter()
        .zip(&lists)
        .zip(&paired)
        .map(|((name, list), hits)| {
            let mut token = best(name, list, hits, &convention)?;
            both(name, list, hits, &shapes, &mut token);
            Some(token)
        })
        .collect()
}

/// Lower case, and every run of digits the same: twins may be numbered apart.
fn shape(name: &str) -> String {
    let mut out = String::with_capacity(name.len());
    let mut digits = false;
    for c in name.chars() {
        if c.is_ascii_digit() {
            if !digits {
                out.push('#');
            }
            digits = true;
        } else {
            out.extend(c.to_lowercase());
            digits = false;
        }
    }
    out
}

/// Whether the same name exists with several other letters in this place.
fn in_series(name: &str, range: &Range<usize>, shapes: &BTreeSet<String>) -> bool {
    let others = ["a", "b", "c", "f", "k", "n", "o", "q", "t", "u", "w", "x"];
    others
        .iter()
        .filter(|letter| {
            exchanged(name, vec![(range, *letter)]).is_some_and(|other| shapes.contains(&shape(&other)))
        })
        .take(SERIES)
        .count()
        == SERIES
}

/// The candidate that says the side: paired ones first, then those that stand as the rig's convention has it, then the
/// plainer and later ones; without any, a word for the middle.
fn best(name: &str, list: &[Candidate], paired: &[bool], convention: &Convention) -> Option<SideToken> {
    let chosen = list
        .iter()
        .zip(paired)
        .filter(|(candidate, paired)| convention.accepts(candidate, **paired))
        .max_by_key(|(candidate, paired)| {
            let first_listed = std::cmp::Reverse(candidate.form.pair);
            let seen = convention.seen(candidate);
            (**paired, seen, candidate.form.stand, candidate.range.start, candidate.range.len(), first_listed)
        });
    if let Some((candidate, _)) = chosen {
        return Some(SideToken {
            side: candidate.side,
            range: candidate.range.clone(),
            other: candidate.other(),
            also: Vec::new(),
        });
    }
    let tokens: Vec<(usize, &str)> = tokens_of(name).collect();
    let centre = tokens.iter().rev().find_map(|(start, token)| {
        let letters = token.trim_end_matches(|c: char| c.is_ascii_digit());
        let middle = CENTRE.contains(&letters.to_lowercase().as_str());
        (middle && (tokens.len() > 1 || letters.len() > 1)).then(|| *start..start + letters.len())
    })?;
    Some(SideToken { side: Side::Centre, range: centre, other: "", also: Vec::new() })
}

/// A name that says its side twice is paired only when both words change.
fn both(name: &str, list: &[Candidate], paired: &[bool], shapes: &BTreeSet<String>, token: &mut SideToken) {
    let already = list.iter().zip(paired).any(|(candidate, hit)| *hit && candidate.range == token.range);
    if already || token.side == Side::Centre {
        return;
    }
    let apart = |a: &Range<usize>, b: &Range<usize>| a.end <= b.start || b.end <= a.start;
    for other in list.iter().filter(|c| c.sure && c.side == token.side && apart(&c.range, &token.range)) {
        let places = vec![(&token.range, token.other), (&other.range, other.other())];
        if exchanged(name, places).is_some_and(|new| shapes.contains(&shape(&new))) {
            token.also.push((other.range.clone(), other.other()));
            return;
        }
    }
}

/// Runs of letters and digits, with their place in the name.
fn tokens_of(name: &str) -> impl Iterator<Item = (usize, &str)> {
    let mut at = 0;
    name.split(|c: char| !c.is_alphanumeric()).filter_map(move |token| {
        let start = at;
        // Separators are one character each, of any length in bytes.
        at += token.len();
        at += name[at..].chars().next().map_or(0, char::len_utf8);
        (!token.is_empty()).then_some((start, token))
    })
}

/// The words of a camel-case token: `upperArm`, `LUpperArm`, `leg2L`.
fn camel_words(token: &str) -> Vec<(usize, &str)> {
    let chars: Vec<(usize, char)> = token.char_indices().collect();
    let mut words = Vec::new();
    let mut start = 0;
    for (index, (at, c)) in chars.iter().enumerate().skip(1) {
        let before = chars[index - 1].1;
        let after = chars.get(index + 1).map(|(_, c)| *c);
        let boundary = (before.is_lowercase() && c.is_uppercase())
            || (before.is_uppercase() && c.is_uppercase() && after.is_some_and(char::is_lowercase))
            || (before.is_ascii_digit() != c.is_ascii_digit());
        if boundary {
            words.push((start, &token[start..*at]));
            start = *at;
        }
    }
    words.push((start, &token[start..]));
    words
}

/// Everything in a name that may say left or right.
fn candidates(name: &str) -> Vec<Candidate> {
    let mut list = Vec::new();
    let lettered = |token: &str| token.chars().any(char::is_alphabetic);
    let mut tokens: Vec<(usize, &str)> = tokens_of(name).filter(|(_, token)| lettered(token)).collect();
    // Sides stand near the ends of a name; nobody's name has this many words.
    if tokens.len() > MOST_TOKENS {
        tokens.drain(MOST_TOKENS / 2..tokens.len() - MOST_TOKENS / 2);
    }
    for (number, (start, token)) in tokens.iter().enumerate() {
        if list.len() >= MOST_CANDIDATES {
            break;
        }
        let lead = token.len() - token.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        let letters = token[lead..].trim_end_matches(|c: char| c.is_ascii_digit());
        let place = match number {
            _ if number + 1 == tokens.len() => Place::Last,
            0 => Place::First,
            _ => Place::Inner,
        };
        let alone = tokens.len() == 1;
        whole(&mut list, start + lead, letters, place, alone);
        let words: Vec<(usize, &str)> =
            camel_words(token).into_iter().filter(|(_, word)| lettered(word)).collect();
        if words.len() > 1 {
            camel(&mut list, *start, &words);
        }
        if name.len() <= LONGEST {
            for (at, word) in &words {
                glued(&mut list, start + at, word);
            }
        }
    }
    if !name.is_ascii() {
        for word in ANYWHERE {
            for (at, _) in name.match_indices(word).take(2) {
                push(&mut list, at, word, Stand::Glued, Place::Inner, true);
            }
        }
    }
    list.truncate(MOST_CANDIDATES);
    list
}

/// Adds what the dictionary says about a word; `trusted` is whether a sure word is sure here.
fn push(list: &mut Vec<Candidate>, at: usize, word: &str, stand: Stand, place: Place, trusted: bool) {
    if word.len() > LONGEST_WORD {
        return;
    }
    let lower = word.to_lowercase();
    let range = at..at + word.len();
    for (number, pair) in PAIRS.iter().enumerate() {
        let (side, sure) = if pair.left == lower {
            (Side::Left, pair.left_sure)
        } else if pair.right == lower {
            (Side::Right, pair.right_sure)
        } else {
            continue;
        };
        let form = Form { pair: number, stand, place };
        let known = list.iter().any(|c| c.range == range && c.form.pair == number);
        if !known {
            list.push(Candidate { side, range: range.clone(), form, sure: sure && trusted });
        }
    }
}

fn whole(list: &mut Vec<Candidate>, at: usize, word: &str, place: Place, alone: bool) {
    // A letter that is the whole name says nothing by itself.
    push(list, at, word, Stand::Whole, place, !alone || word.len() > 1);
}

fn camel(list: &mut Vec<Candidate>, start: usize, words: &[(usize, &str)]) {
    for (number, (at, word)) in words.iter().enumerate() {
        let place = match number {
            0 => Place::First,
            _ if number + 1 == words.len() => Place::Last,
            _ => Place::Inner,
        };
        // A capital in the middle of a word is mostly a word's own.
        let trusted = word.len() > 1 || place != Place::Inner;
        push(list, start + at, word, Stand::Word, place, trusted);
    }
}

/// Letters and words run together with others.
fn glued(list: &mut Vec<Candidate>, at: usize, word: &str) {
    if !word.is_ascii() || !(2..=2 * LONGEST_WORD).contains(&word.len()) {
        return;
    }
    let lower = word.to_ascii_lowercase();
    if NO_SIDE.contains(&lower.as_str()) {
        return;
    }
    for pair in PAIRS.iter().filter(|pair| pair.left_sure && pair.left.len() >= 4) {
        for side in [pair.left, pair.right].into_iter().filter(|side| side.len() < lower.len()) {
            // English words are known well enough to be trusted at an end of another word.
            let trusted = matches!(side, "left" | "right");
            if lower.starts_with(side) {
                push(list, at, &word[..side.len()], Stand::Glued, Place::First, trusted);
            } else if lower.ends_with(side) {
                let from = word.len() - side.len();
                push(list, at + from, &word[from..], Stand::Glued, Place::Last, trusted);
            }
        }
    }
    let last = word.len() - 1;
    for (index, place) in [(0, Place::First), (1, Place::Inner), (last, Place::Last)] {
        let letter = &word[index..=index];
        let side = match lower.as_bytes()[index] {
            b'l' => Side::Left,
            b'r' => Side::Right,
            _ => continue,
        };
        let range = at + index..at + index + letter.len();
        if !list.iter().any(|c| c.range == range) {
            let form = Form { pair: LETTERS, stand: Stand::Glued, place };
            list.push(Candidate { side, range, form, sure: false });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn side(name: &str) -> Option<Side> {
        side_token(name).map(|token| token.side)
    }

    fn together(names: &[&str]) -> Vec<Option<Side>> {
        let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
        read_together(&names).into_iter().map(|token| token.map(|t| t.side)).collect()
    }

    #[test]
    fn sides_are_read_in_every_style() {
        for name in [
            "arm_l",
            "l_arm",
            "arm.L.001",
            "LeftArm",
            "leftarm",
            "armLeft",
            "handL",
            "lHand",
            "LUpperArm",
            "arm_l_02",
            "arm-left-2",
            "mano_izq",
            "左腕",
            "leg_l2",
            "Arm L",
            "hand.links",
            "rig:L_arm",
            "левая_рука",
            "왼팔",
        ] {
            assert_eq!(side(name), Some(Side::Left), "{name}");
        }
        for name in ["RIGHT_leg", "ForeArmR", "r_foot", "RThigh", "pata_derecha", "prawy_palec", "みぎて"]
        {
            assert_eq!(side(name), Some(Side::Right), "{name}");
        }
        for name in [
            "collar", "spine", "ReLoad", "Lower", "wrist", "Roll", "upright", "l", "tailroot", "claw",
            "der_Kopf", "dir", "you",
        ] {
            assert_eq!(side(name), None, "{name}");
        }
    }

    #[test]
    fn swapping_keeps_the_style() {
        let swapped = |name: &str| side_token(name).and_then(|t| t.swapped(name));
        assert_eq!(swapped("arm.L.001").as_deref(), Some("arm.R.001"));
        assert_eq!(swapped("LeftArm").as_deref(), Some("RightArm"));
        assert_eq!(swapped("pata_derecha").as_deref(), Some("pata_izquierda"));
        assert_eq!(swapped("LEFT_leg").as_deref(), Some("RIGHT_leg"));
        assert_eq!(swapped("左腕").as_deref(), Some("右腕"));
        assert_eq!(swapped("LUpperArm").as_deref(), Some("RUpperArm"));
    }

    #[test]
    fn the_stem_is_what_both_sides_share() {
        let stem = |name: &str| side_token(name).map(|t| t.stem(name));
        assert_eq!(stem("arm_l").as_deref(), Some("arm"));
        assert_eq!(stem("l_arm").as_deref(), Some("arm"));
        assert_eq!(stem("arm_l_02").as_deref(), Some("arm_02"));
        assert_eq!(stem("LeftArm").as_deref(), Some("Arm"));
    }

    #[test]
    fn a_name_with_two_tokens_follows_the_convention_of_the_rig() {
        let prefixed = ["l_claw_r", "r_claw_r", "l_leg", "r_leg", "l_eye", "r_eye"];
        assert_eq!(together(&prefixed)[0], Some(Side::Left), "the prefix says the side here");
        let suffixed = ["l_claw_r", "l_claw_l", "leg_l", "leg_r", "eye_l", "eye_r"];
        assert_eq!(together(&suffixed)[0], Some(Side::Right), "the suffix says the side here");
    }

    #[test]
    fn letters_of_other_languages_count_where_names_pair_up() {
        let pattes = ["patte_g_1", "patte_d_1", "oeil_g", "oeil_d", "dos"];
        let read = together(&pattes);
        assert_eq!(read, [Some(Side::Left), Some(Side::Right), Some(Side::Left), Some(Side::Right), None]);
        assert_eq!(together(&["segment_c", "segment_d", "segment_e", "segment_f"])[1], None);
    }

    #[test]
    fn front_and_rear_letters_do_not_hide_the_side() {
        let legs = ["FL_hip", "FR_hip", "RL_hip", "RR_hip", "RL_knee", "RR_knee", "FL_knee", "FR_knee"];
        let (l, r) = (Some(Side::Left), Some(Side::Right));
        assert_eq!(together(&legs), [l, r, l, r, l, r, l, r]);
    }

    #[test]
    fn an_alphabet_is_no_side() {
        let row: Vec<String> = ('a'..='t').map(|c| format!("bead_{c}")).collect();
        let row: Vec<&str> = row.iter().map(String::as_str).collect();
        assert!(together(&row[..6]).iter().all(|side| *side != Some(Side::Left)));
    }

    #[test]
    fn a_side_said_twice_is_swapped_twice() {
        let names: Vec<String> =
            ["left_claw_L", "right_claw_R", "left_eye_L", "right_eye_R"].map(str::to_owned).to_vec();
        let token = read_together(&names).remove(0);
        assert_eq!(token.and_then(|t| t.swapped(&names[0])).as_deref(), Some("right_claw_R"));
    }

    #[test]
    fn running_numbers_of_an_exporter_are_recognised() {
        assert_eq!(trailing_number("hip_07"), Some(("hip", "07")));
        assert_eq!(trailing_number("hip07"), None);
        assert_eq!(trailing_number("_07"), None);
    }

    #[test]
    fn hostile_names_end() {
        let long = "lr".repeat(20_000);
        let names =
            vec![long, "l".repeat(64), "_l".repeat(60), "左".repeat(90), "ǅ_İ_l".into(), String::new()];
        assert_eq!(read_together(&names).len(), names.len());
    }
}
