//! What names say: exporter numbering (D21) and side tokens (D12). Conventions are inferred, never imposed.

use std::collections::BTreeSet;

use crate::model::{JointId, Rig, Side};

/// Words for sides: English, and the usual words of other languages that riggers name joints in. A letter alone counts
/// only where it stands alone (or ends a camel-case name).
const LEFT: &[&str] = &[
    "l",
    "left",
    "lft",
    "lt",
    "links",
    "linke",
    "linker",
    "gauche",
    "izq",
    "izquierda",
    "izquierdo",
    "sinistra",
    "sinistro",
    "sx",
    "esq",
    "esquerda",
    "esquerdo",
    "hidari",
    "lewa",
    "lewy",
    "levo",
    "levy",
    "leva",
    "vanster",
    "левая",
    "левый",
    "лево",
    "лев",
    "左",
];
const RIGHT: &[&str] = &[
    "r",
    "right",
    "rgt",
    "rt",
    "rechts",
    "rechte",
    "rechter",
    "droite",
    "droit",
    "der",
    "derecha",
    "derecho",
    "destra",
    "destro",
    "dx",
    "dir",
    "direita",
    "direito",
    "migi",
    "prawa",
    "prawy",
    "pravo",
    "pravy",
    "prava",
    "hoger",
    "правая",
    "правый",
    "право",
    "прав",
    "右",
];
const CENTRE: &[&str] = &["c", "m", "mid", "middle", "centre", "center", "ctr"];

/// A side token inside a name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SideToken {
    /// The side it says.
    pub side: Side,
    /// Byte range of the token in the name.
    pub range: std::ops::Range<usize>,
}

impl SideToken {
    /// The same name for the other side, in the same style and case; `None` for the centre.
    pub fn swapped(&self, name: &str) -> Option<String> {
        let token = &name[self.range.clone()];
        let lower = token.to_lowercase();
        let (from, to) = match self.side {
            Side::Left => (LEFT, RIGHT),
            Side::Right => (RIGHT, LEFT),
            Side::Centre => return None,
        };
        let at = from.iter().position(|word| *word == lower)?;
        // The two lists are parallel up to words of which one language has more forms; the first form of the pair serves.
        let other = counterpart(from, to, at);
        let mut chars = token.chars();
        let first_upper = chars.next().is_some_and(char::is_uppercase);
        let rest_upper = chars.clone().next().is_some() && chars.all(|c| !c.is_lowercase());
        let styled = if first_upper && (rest_upper || token.chars().count() == 1) {
            other.to_uppercase()
        } else if first_upper {
            let mut letters = other.chars();
            letters.next().map(|c| c.to_uppercase().chain(letters).collect()).unwrap_or_default()
        } else {
            other.to_owned()
        };
        Some(format!("{}{styled}{}", &name[..self.range.start], &name[self.range.end..]))
    }
}

/// Pairs of words, for swapping; anything else swaps to the plain English word.
const PAIRS: &[(&str, &str)] = &[
    ("l", "r"),
    ("left", "right"),
    ("lft", "rgt"),
    ("lt", "rt"),
    ("links", "rechts"),
    ("linke", "rechte"),
    ("linker", "rechter"),
    ("gauche", "droite"),
    ("izq", "der"),
    ("izquierda", "derecha"),
    ("izquierdo", "derecho"),
    ("sinistra", "destra"),
    ("sinistro", "destro"),
    ("sx", "dx"),
    ("esq", "dir"),
    ("esquerda", "direita"),
    ("esquerdo", "direito"),
    ("hidari", "migi"),
    ("lewa", "prawa"),
    ("lewy", "prawy"),
    ("levo", "pravo"),
    ("levy", "pravy"),
    ("leva", "prava"),
    ("vanster", "hoger"),
    ("левая", "правая"),
    ("левый", "правый"),
    ("лево", "право"),
    ("лев", "прав"),
    ("左", "右"),
];

fn counterpart(from: &[&'static str], to: &[&'static str], at: usize) -> &'static str {
    let word = from[at];
    PAIRS
        .iter()
        .find_map(|(left, right)| match word {
            w if w == *left => Some(*right),
            w if w == *right => Some(*left),
            _ => None,
        })
        .unwrap_or(to[1])
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
        let exporter_numbers =
            named >= 4 && numbers.len() * 10 >= named * 8 && distinct.len() * 100 >= numbers.len() * 95;
        let plain: Vec<String> = names
            .iter()
            .map(|name| match trailing_number(name) {
                Some((stem, _)) if exporter_numbers => stem.to_owned(),
                _ => (*name).to_owned(),
            })
            .collect();
        let sides = plain.iter().map(|name| side_token(name)).collect();
        Self { exporter_numbers, plain, sides }
    }

    /// The side a joint's name says.
    pub fn side(&self, joint: JointId) -> Option<Side> {
        self.sides[joint.index()].as_ref().map(|token| token.side)
    }
}

/// A separator and digits at the end.
fn trailing_number(name: &str) -> Option<(&str, &str)> {
    let stem = name.trim_end_matches(|c: char| c.is_ascii_digit());
    let digits = &name[stem.len()..];
    let cut = stem.strip_suffix(['.', '_', '-', ' '])?;
    (!digits.is_empty() && !cut.is_empty()).then_some((cut, digits))
}

/// The side token of a name.
pub fn side_token(name: &str) -> Option<SideToken> {
    delimited(name).or_else(|| worded(name))
}

fn classify(word: &str) -> Option<Side> {
    let lower = word.to_lowercase();
    let has = |list: &[&str]| list.contains(&lower.as_str());
    if has(LEFT) {
        Some(Side::Left)
    } else if has(RIGHT) {
        Some(Side::Right)
    } else if has(CENTRE) {
        Some(Side::Centre)
    } else {
        None
    }
}

/// The last token that stands between separators (or an end of the name) and says a side.
fn delimited(name: &str) -> Option<SideToken> {
    let mut found = None;
    let mut tokens = 0;
    for (start, token) in tokens_of(name) {
        tokens += 1;
        let letters = token.trim_end_matches(|c: char| c.is_ascii_digit());
        if let Some(side) = classify(letters) {
            found = Some(SideToken { side, range: start..start + letters.len() });
        }
    }
    // One letter that is the whole name says nothing.
    found.filter(|token| tokens > 1 || token.range.len() > 1)
}

fn tokens_of(name: &str) -> impl Iterator<Item = (usize, &str)> {
    name.split(|c: char| !c.is_alphanumeric())
        .map(move |token| (token.as_ptr() as usize - name.as_ptr() as usize, token))
        .filter(|(_, token)| !token.is_empty())
}

/// Camel-case words, a capital at the end, a letter before a capital at the start, `left`/`right` glued to a word.
fn worded(name: &str) -> Option<SideToken> {
    for (start, token) in tokens_of(name) {
        let words = camel_words(token);
        for (at, word) in &words {
            let long = word.chars().count() > 1;
            if long && let Some(side) = classify(word) {
                let range = start + at..start + at + word.len();
                return Some(SideToken { side, range });
            }
        }
        let letters = token.trim_end_matches(|c: char| c.is_ascii_digit());
        let mut chars = letters.chars();
        let (first, second) = (chars.next(), chars.next());
        if let (Some(first @ ('L' | 'R' | 'l' | 'r')), Some(second)) = (first, second)
            && second.is_uppercase()
            && letters.chars().any(char::is_lowercase)
        {
            let side = if first.eq_ignore_ascii_case(&'l') { Side::Left } else { Side::Right };
            return Some(SideToken { side, range: start..start + 1 });
        }
        let mut back = letters.chars().rev();
        if let (Some(last @ ('L' | 'R')), Some(before)) = (back.next(), back.next())
            && before.is_lowercase()
        {
            let side = if last == 'L' { Side::Left } else { Side::Right };
            let end = start + letters.len();
            return Some(SideToken { side, range: end - 1..end });
        }
        let lower = token.to_lowercase();
        for (word, side) in
            [("left", Side::Left), ("right", Side::Right), ("左", Side::Left), ("右", Side::Right)]
        {
            if lower.len() != token.len() {
                break;
            }
            if lower.starts_with(word) {
                return Some(SideToken { side, range: start..start + word.len() });
            }
            if lower.ends_with(word) && lower != "upright" {
                let end = start + token.len();
                return Some(SideToken { side, range: end - word.len()..end });
            }
        }
    }
    None
}

fn camel_words(token: &str) -> Vec<(usize, &str)> {
    let mut words = Vec::new();
    let mut start = 0;
    let mut previous: Option<char> = None;
    for (at, c) in token.char_indices() {
        let boundary = previous.is_some_and(|p| {
            (p.is_lowercase() && c.is_uppercase()) || (p.is_ascii_digit() != c.is_ascii_digit())
        });
        if boundary {
            words.push((start, &token[start..at]));
            start = at;
        }
        previous = Some(c);
    }
    words.push((start, &token[start..]));
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    fn side(name: &str) -> Option<Side> {
        side_token(name).map(|token| token.side)
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
            "arm_l_02",
            "arm-left-2",
            "mano_izq",
            "左腕",
            "leg_l2",
            "Arm L",
            "hand.links",
        ] {
            assert_eq!(side(name), Some(Side::Left), "{name}");
        }
        for name in ["RIGHT_leg", "ForeArmR", "r_foot", "RThigh", "pata_derecha", "prawy_palec"] {
            assert_eq!(side(name), Some(Side::Right), "{name}");
        }
        for name in
            ["collar", "spine", "ReLoad", "Lower", "wrist", "Roll", "upright", "l", "tailroot", "claw"]
        {
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
    }

    #[test]
    fn running_numbers_of_an_exporter_are_recognised() {
        assert_eq!(trailing_number("hip_07"), Some(("hip", "07")));
        assert_eq!(trailing_number("hip07"), None);
        assert_eq!(trailing_number("_07"), None);
    }
}
