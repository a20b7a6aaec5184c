//! What the names of one skeleton say, each read in the company of the others.
//!
//! Exporters' habits go first (a running number appended to every name, a root joint put above, a prefix or suffix that
//! all names share); then a name is cut into words, numbers and marks of side and row, and its words are looked up.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

use super::lexicon::{Category, SCRIPTS, Sense, WORDS};

/// One name, read.
#[expect(clippy::struct_excessive_bools, reason = "independent marks of one name")]
#[derive(Debug, Clone, Default)]
pub(super) struct Reading {
    /// Its words, as numbers, without sides, rows, places and what all names share.
    pub(super) words: Vec<u32>,
    /// Its pieces as written but for the side and what all names share: twins have the same.
    pub(super) plain: String,
    /// All its words as one number; names with the same words share it.
    pub(super) stem: u32,
    /// Its numbers, in order; places in a row (proximal, upper …) count as numbers too.
    pub(super) numbers: Vec<u32>,
    /// 1 left, -1 right, 0 middle.
    pub(super) side: Option<i8>,
    /// 1 front, 2 hind.
    pub(super) row: u8,
    /// What it is.
    pub(super) category: Option<Category>,
    /// What else it names.
    pub(super) also: Option<Category>,
    /// It moves other joints.
    pub(super) control: bool,
    /// It turns with another joint or corrects it.
    pub(super) helper: bool,
    /// It marks the end of a chain.
    pub(super) end: bool,
    /// An exporter put it there.
    pub(super) inserted: bool,
    /// It has a word of its own.
    pub(super) spoken: bool,
    /// It is the upper one of two chests.
    pub(super) upper_chest: bool,
    /// How many pieces it was cut into.
    pub(super) pieces: u32,
}

/// All names of a skeleton, read.
#[derive(Debug, Default)]
pub(super) struct Names {
    /// Per joint.
    pub(super) readings: Vec<Reading>,
    /// The words themselves.
    pub(super) texts: Vec<String>,
    /// Per word: the logarithm of how rare it is.
    pub(super) rarity: Vec<f64>,
    /// Distinct stems over joints.
    pub(super) variety: f64,
    /// Share of joints whose words the lexicon knows.
    pub(super) known: f64,
}

/// Words with what they may mean.
type Dictionary = BTreeMap<&'static str, Vec<Sense>>;

/// A piece of a name.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Piece {
    Word(String),
    Number(u32),
}

/// Reads the names; `None` is a joint without one.
pub(super) fn read(names: &[Option<&str>]) -> Names {
    let (plain, inserted) = strip(names);
    let dictionary = dictionary();
    let mut pieces: Vec<Vec<Piece>> = plain.iter().map(|name| cut(name)).collect();
    let everything: BTreeSet<String> = pieces
        .iter()
        .flatten()
        .filter_map(|piece| if let Piece::Word(word) = piece { Some(word.clone()) } else { None })
        .collect();
    for list in &mut pieces {
        *list = list.iter().flat_map(|piece| split_glued(piece, dictionary, &everything)).collect();
    }
    let company = Company::new(&pieces);
    let mut ids: BTreeMap<String, u32> = BTreeMap::new();
    let mut stems: BTreeMap<Vec<u32>, u32> = BTreeMap::new();
    let mut out = Names::default();
    let mut known = 0;
    for (list, inserted) in pieces.iter().zip(inserted) {
        let mut reading = Reading { inserted, pieces: list.len() as u32, ..Reading::default() };
        let spoken = interpret(list, dictionary, &company, &mut reading);
        for word in &spoken {
            let next = ids.len() as u32;
            reading.words.push(*ids.entry(word.clone()).or_insert(next));
        }
        reading.spoken = !reading.words.is_empty();
        let next = stems.len() as u32;
        reading.stem = *stems.entry(reading.words.clone()).or_insert(next);
        known += u32::from(reading.category.is_some());
        out.readings.push(reading);
    }
    let mut texts: Vec<(u32, String)> = ids.iter().map(|(word, id)| (*id, word.clone())).collect();
    texts.sort_unstable();
    out.texts = texts.into_iter().map(|(_, word)| word).collect();
    settle(&mut out.readings);
    let count = names.len().max(1) as f64;
    let mut uses = vec![0_u32; ids.len()];
    for reading in &out.readings {
        for word in &reading.words {
            uses[*word as usize] += 1;
        }
    }
    out.rarity = uses.iter().map(|uses| ((count + 1.0) / f64::from(*uses).max(0.5)).ln()).collect();
    out.variety = stems.len() as f64 / count;
    out.known = f64::from(known) / count;
    out
}

/// What a word may mean.
fn dictionary() -> &'static Dictionary {
    static ALL: OnceLock<Dictionary> = OnceLock::new();
    ALL.get_or_init(|| {
        let mut map = Dictionary::new();
        for (sense, words) in WORDS {
            for word in words.split(' ') {
                let list = map.entry(word).or_default();
                if !list.contains(sense) {
                    list.push(*sense);
                }
            }
        }
        map
    })
}

/// Removes what an exporter added; says which joints it put there.
fn strip(names: &[Option<&str>]) -> (Vec<String>, Vec<bool>) {
    let count = names.len();
    let mut plain: Vec<String> = names.iter().map(|name| name.unwrap_or("").trim().to_owned()).collect();
    let mut inserted = vec![false; count];
    // A space of names in front ("asset:joint"), where most share it.
    let spaced = plain.iter().filter(|name| name.contains([':', '|'])).count();
    if spaced * 10 >= count * 6 {
        for name in &mut plain {
            if let Some(at) = name.rfind([':', '|'])
                && at + 1 < name.len()
            {
                *name = name[at + 1..].to_owned();
            }
        }
    }
    let serial = |name: &str| -> Option<(usize, u64)> {
        let at = name.rfind('_')?;
        let digits = &name[at + 1..];
        (!digits.is_empty() && digits.len() <= 6 && digits.bytes().all(|b| b.is_ascii_digit()))
            .then(|| Some((at, digits.parse().ok()?)))
            .flatten()
    };
    let found: Vec<Option<(usize, u64)>> = plain.iter().map(|name| serial(name)).collect();
    let numbers: BTreeSet<u64> = found.iter().flatten().map(|(_, number)| *number).collect();
    let with = found.iter().flatten().count();
    let bases: BTreeSet<&str> =
        plain.iter().zip(&found).filter_map(|(name, hit)| hit.map(|(at, _)| &name[..at])).collect();
    let spread = match (numbers.first(), numbers.last()) {
        (Some(low), Some(high)) => high - low,
        _ => 0,
    };
    // Names that repeat once the number is gone are an author's own numbers, unless nothing but the root put above has none.
    let only_the_root_without = count - with == 1 && numbers.len() == with && bases.len() >= 5;
    if count >= 5
        && with * 10 >= count * 8
        && numbers.len() * 100 >= with * 97
        && spread <= 3 * count as u64 + 12
        && (bases.len() * 10 >= with * 8 || only_the_root_without)
    {
        for ((name, hit), flag) in plain.iter_mut().zip(&found).zip(&mut inserted) {
            match hit {
                Some((at, _)) => name.truncate(*at),
                None => *flag = count - with <= 2,
            }
        }
    } else if count >= 5 {
        // An ending that all but two share, from a separator on.
        let mut endings: BTreeMap<&str, usize> = BTreeMap::new();
        for name in &plain {
            if let Some(at) = name.rfind(['_', '.', '-', ' ']) {
                let ending = &name[at..];
                if ending.len() > 4 && !ending.bytes().any(|b| b.is_ascii_digit()) {
                    *endings.entry(ending).or_default() += 1;
                }
            }
        }
        let common = endings.into_iter().max_by_key(|(_, uses)| *uses);
        if let Some((ending, uses)) = common
            && uses + 2 >= count
            && uses < count
        {
            let ending = ending.to_owned();
            for (name, flag) in plain.iter_mut().zip(&mut inserted) {
                match name.strip_suffix(&ending) {
                    Some(rest) => *name = rest.to_owned(),
                    None => *flag = true,
                }
            }
        }
    }
    (plain, inserted)
}

/// Cuts a name at separators, at changes between letters and digits, and at capitals.
fn cut(name: &str) -> Vec<Piece> {
    let mut text: String = name.chars().take(256).collect();
    if !text.is_ascii() {
        text = text.to_lowercase();
        for (script, words) in SCRIPTS {
            if text.contains(script) {
                text = text.replace(script, words);
            }
        }
        text = text.chars().map(fold).collect();
    }
    let letters: Vec<char> = text.chars().collect();
    let mut out = Vec::new();
    let mut word = String::new();
    let mut number: Option<u32> = None;
    let mut before = ' ';
    let flush = |word: &mut String, number: &mut Option<u32>, out: &mut Vec<Piece>| {
        if !word.is_empty() {
            out.push(Piece::Word(std::mem::take(word)));
        }
        if let Some(number) = number.take() {
            out.push(Piece::Number(number));
        }
    };
    for (at, letter) in letters.iter().copied().enumerate() {
        if letter.is_ascii_digit() {
            if !word.is_empty() {
                flush(&mut word, &mut number, &mut out);
            }
            let digit = letter.to_digit(10).unwrap_or(0);
            number = Some(number.unwrap_or(0).saturating_mul(10).saturating_add(digit).min(1_000_000));
        } else if letter.is_alphabetic() {
            let next_is_small = letters.get(at + 1).is_some_and(|c| c.is_lowercase());
            let turn =
                letter.is_uppercase() && (before.is_lowercase() || (before.is_uppercase() && next_is_small));
            if turn || number.is_some() {
                flush(&mut word, &mut number, &mut out);
            }
            word.extend(letter.to_lowercase());
        } else {
            flush(&mut word, &mut number, &mut out);
        }
        before = letter;
    }
    flush(&mut word, &mut number, &mut out);
    out.truncate(24);
    out
}

/// The plain letter under an accent, for the languages of the lexicon.
fn fold(letter: char) -> char {
    match letter {
        'á' | 'à' | 'â' | 'ä' | 'ã' | 'å' => 'a',
        'é' | 'è' | 'ê' | 'ë' => 'e',
        'í' | 'ì' | 'î' | 'ï' => 'i',
        'ó' | 'ò' | 'ô' | 'ö' | 'õ' | 'ø' => 'o',
        'ú' | 'ù' | 'û' | 'ü' => 'u',
        'ç' => 'c',
        'ñ' => 'n',
        other => other,
    }
}

/// Cuts words that were written together ("lowerleg", "lhand"), where every part is known.
fn split_glued(piece: &Piece, dictionary: &Dictionary, everything: &BTreeSet<String>) -> Vec<Piece> {
    let Piece::Word(word) = piece else { return vec![piece.clone()] };
    let keep = || vec![piece.clone()];
    if word.len() < 4 || !word.is_ascii() || dictionary.contains_key(word.as_str()) {
        return keep();
    }
    if let Some(single) = word.strip_suffix('s')
        && dictionary.contains_key(single)
    {
        return vec![Piece::Word(single.to_owned())];
    }
    // One letter for the side, where the other side's word exists as well.
    let swapped = |letter: char| match letter {
        'l' => Some('r'),
        'r' => Some('l'),
        _ => None,
    };
    let known = |text: &str| dictionary.contains_key(text) || segments(text, dictionary).is_some();
    let parts = |text: &str| {
        segments(text, dictionary).unwrap_or_else(|| vec![text.to_owned()]).into_iter().map(Piece::Word)
    };
    let mut letters = word.chars();
    if let Some(first) = letters.next()
        && let Some(other) = swapped(first)
    {
        let rest = letters.as_str();
        if rest.len() >= 3 && everything.contains(&format!("{other}{rest}")) && known(rest) {
            return std::iter::once(Piece::Word(first.to_string())).chain(parts(rest)).collect();
        }
    }
    let mut letters = word.chars();
    if let Some(last) = letters.next_back()
        && let Some(other) = swapped(last)
    {
        let rest = letters.as_str();
        if rest.len() >= 3 && everything.contains(&format!("{rest}{other}")) && known(rest) {
            return parts(rest).chain(std::iter::once(Piece::Word(last.to_string()))).collect();
        }
    }
    segments(word, dictionary).map_or_else(keep, |list| list.into_iter().map(Piece::Word).collect())
}

/// A word as a sequence of known words of three letters or more (the longest first), or nothing.
fn segments(word: &str, dictionary: &Dictionary) -> Option<Vec<String>> {
    const SHORT: &[&str] = &["up", "lo", "ik", "fk"];
    if word.len() > 40 || !word.is_ascii() {
        return None;
    }
    let n = word.len();
    // From the end: the fewest words that cover the rest.
    let mut best: Vec<Option<(usize, usize)>> = vec![None; n + 1];
    best[n] = Some((0, n));
    for start in (0..n).rev() {
        for end in (start + 2..=n).rev() {
            let text = &word[start..end];
            let fits = if text.len() == 2 { SHORT.contains(&text) } else { dictionary.contains_key(text) };
            if let Some((words, _)) = best[end]
                && fits
                && best[start].is_none_or(|(fewest, _)| words + 1 < fewest)
            {
                best[start] = Some((words + 1, end));
            }
        }
    }
    let (words, _) = best[0]?;
    if words > 4 {
        return None;
    }
    let mut out = Vec::new();
    let mut at = 0;
    while at < n {
        let (_, end) = best[at]?;
        out.push(word[at..end].to_owned());
        at = end;
    }
    Some(out)
}

/// What the names of a skeleton have in common, needed to read each of them.
#[expect(clippy::struct_excessive_bools, reason = "independent facts about the names together")]
struct Company {
    common: BTreeSet<String>,
    left_and_right: bool,
    front_and_back: bool,
    pairs: bool,
    digits: bool,
    insect: bool,
}

/// Letters for row and side written together.
const PAIRS: &[(&str, u8, i8)] = &[
    ("fl", 1, 1),
    ("fr", 1, -1),
    ("lf", 1, 1),
    ("rf", 1, -1),
    ("bl", 2, 1),
    ("br", 2, -1),
    ("lb", 2, 1),
    ("rb", 2, -1),
    ("rl", 2, 1),
    ("rr", 2, -1),
    ("hl", 2, 1),
    ("hr", 2, -1),
    ("lh", 2, 1),
    ("rh", 2, -1),
    ("lr", 2, 1),
    ("ml", 3, 1),
    ("mr", 3, -1),
    ("lm", 3, 1),
    ("rm", 3, -1),
];

impl Company {
    fn new(pieces: &[Vec<Piece>]) -> Self {
        let mut uses: BTreeMap<&str, usize> = BTreeMap::new();
        for list in pieces {
            let words: BTreeSet<&str> = list
                .iter()
                .filter_map(|piece| if let Piece::Word(word) = piece { Some(word.as_str()) } else { None })
                .collect();
            for word in words {
                *uses.entry(word).or_default() += 1;
            }
        }
        let has = |word: &str| uses.contains_key(word);
        let count = pieces.len();
        Self {
            common: uses
                .iter()
                .filter(|(_, uses)| count >= 5 && **uses * 10 >= count * 8)
                .map(|(word, _)| (*word).to_owned())
                .collect(),
            left_and_right: has("l") && has("r"),
            front_and_back: has("f") && (has("b") || has("r") || has("h")),
            pairs: PAIRS.iter().filter(|(pair, _, _)| has(pair)).count() >= 2,
            digits: ["index", "ring", "pinky", "little", "thumb", "pinkie"].iter().filter(|w| has(w)).count()
                >= 2,
            insect: has("coxa") || has("tarsus") || has("trochanter"),
        }
    }
}

/// Whether a word says nothing but the side (or the side and the row).
fn says_side(word: &str, dictionary: &Dictionary, company: &Company) -> bool {
    match word {
        "l" | "r" => company.left_and_right,
        _ if word.len() == 2 && company.pairs => PAIRS.iter().any(|(pair, ..)| *pair == word),
        _ => dictionary.get(word).is_some_and(|senses| {
            word.len() > 1 && senses.iter().all(|sense| matches!(sense, Sense::Side(1 | -1)))
        }),
    }
}

/// Fills a reading; returns the words that are its own.
fn interpret(
    list: &[Piece],
    dictionary: &Dictionary,
    company: &Company,
    reading: &mut Reading,
) -> Vec<String> {
    let mut spoken = Vec::new();
    let mut things: Vec<(Category, bool)> = Vec::new();
    let (mut upper, mut lower, mut fore) = (false, false, false);
    let mut region = None;
    let mut plain: Vec<String> = Vec::new();
    for piece in list {
        let word = match piece {
            Piece::Number(number) => {
                reading.numbers.push(*number);
                plain.push(number.to_string());
                continue;
            }
            Piece::Word(word) => word.as_str(),
        };
        if !says_side(word, dictionary, company) && !company.common.contains(word) {
            plain.push(word.to_owned());
        }
        let common = company.common.contains(word);
        if word.len() == 1 {
            match word {
                "l" | "r" if company.left_and_right => reading.side = Some(if word == "l" { 1 } else { -1 }),
                "f" if company.front_and_back => reading.row = 1,
                "b" | "h" if company.front_and_back => reading.row = 2,
                "c" | "m" => reading.side = reading.side.or(Some(0)),
                "a" | "b" | "d" | "e" | "g" | "i" if !common => {
                    reading.numbers.push(u32::from(word.as_bytes()[0] - b'a') + 1);
                }
                _ if !common => spoken.push(word.to_owned()),
                _ => {}
            }
            continue;
        }
        if company.pairs
            && let Some((_, row, side)) = PAIRS.iter().find(|(pair, _, _)| *pair == word)
        {
            reading.row = *row;
            reading.side = Some(*side);
            continue;
        }
        let Some(senses) = dictionary.get(word) else {
            if !common {
                spoken.push(word.to_owned());
            }
            continue;
        };
        let mut own = false;
        for sense in senses {
            match sense {
                Sense::Is(category) => {
                    things.push((*category, common));
                    own = true;
                }
                Sense::Upper => upper = true,
                Sense::Lower => {
                    if word == "fore" {
                        fore = true;
                    } else {
                        lower = true;
                    }
                }
                Sense::Place(2) if word.starts_with("mid") && company.digits => {
                    things.push((Category::Middle, common));
                    own = true;
                }
                Sense::Place(place) => {
                    if senses.len() == 1 || !things.is_empty() {
                        reading.numbers.push(*place);
                    }
                }
                Sense::Control => reading.control = true,
                Sense::Helper => reading.helper = true,
                Sense::End => reading.end = true,
                Sense::Side(side) => reading.side = Some(*side),
                Sense::Row(row) => {
                    if word.len() > 1 {
                        reading.row = *row;
                    }
                }
                Sense::Vertebra(first, count) => region = Some((*first, *count)),
                Sense::Noise => {}
            }
        }
        if (own || reading.control || reading.helper) && !common {
            spoken.push(word.to_owned());
        }
        if matches!(word, "foreleg" | "frontleg" | "forepaw" | "frontpaw" | "frontfoot") {
            reading.row = 1;
        }
        if matches!(word, "hindleg" | "backleg" | "rearleg" | "hindpaw" | "backfoot") {
            reading.row = 2;
        }
    }
    reading.plain = plain.join("_");
    if things.iter().any(|(_, common)| !common) {
        things.retain(|(_, common)| !common);
    }
    let used = resolve(&things, upper, lower, fore, company, reading);
    reading.upper_chest = upper && reading.category == Some(Category::Chest);
    if let Some((first, count)) = region {
        // The vertebrae are numbered downwards within their region: L5 is the lowest.
        let number = reading.numbers.first().copied().unwrap_or(1).clamp(1, count);
        reading.numbers = vec![first + count - number];
        reading.category = Some(if first == 17 { Category::Neck } else { Category::Spine });
        spoken = vec!["vertebra".to_owned()];
    } else if let Some((stem, place)) = row_of_joints(list) {
        rays(stem, place, reading);
        spoken = vec![stem.to_owned()];
    } else if !used {
        if upper {
            reading.numbers.push(1);
        } else if lower || fore {
            reading.numbers.push(2);
        }
    }
    spoken
}

/// Joints named for the two bones they join (ISO/IEC 19774-1): which row of the hand or foot, counted outwards.
fn row_of_joints(list: &[Piece]) -> Option<(&'static str, u32)> {
    let has = |wanted: &str| list.iter().any(|piece| matches!(piece, Piece::Word(word) if word == wanted));
    let foot = has("tarsal") || has("tarsometatarsal") || has("metatarsophalangeal");
    let stem = if foot { "toe" } else { "finger" };
    let place = if has("carpometacarpal") || has("tarsometatarsal") {
        0
    } else if has("metacarpophalangeal") || has("metatarsophalangeal") {
        1
    } else if has("interphalangeal") {
        if has("distal") { 3 } else { 2 }
    } else {
        return None;
    };
    Some((stem, place))
}

/// Such a joint as one of a finger's or a toe's own row: the name's number says which, its words how far out.
fn rays(stem: &str, place: u32, reading: &mut Reading) {
    let ray = reading.numbers.iter().rev().copied().find(|number| (1..=5).contains(number)).unwrap_or(1);
    reading.numbers = vec![ray, place];
    reading.also = Some(if stem == "toe" { Category::Foot } else { Category::Hand });
    reading.category = Some(match (stem, ray) {
        ("toe", _) if place == 0 => Category::Ball,
        ("toe", _) => Category::Toe,
        (_, 1) => Category::Thumb,
        (_, 2) => Category::Index,
        (_, 3) => Category::Middle,
        (_, 4) => Category::Ring,
        _ => Category::Little,
    });
}

/// The category of the things named; whether "upper" and "lower" are part of it.
fn resolve(
    things: &[(Category, bool)],
    upper: bool,
    lower: bool,
    fore: bool,
    company: &Company,
    reading: &mut Reading,
) -> bool {
    use Category as C;
    let mut list: Vec<Category> = things.iter().map(|(category, _)| *category).collect();
    let specific = |c: &Category| !matches!(c, C::Root | C::Body | C::Link | C::Sensor);
    if list.iter().any(specific) {
        list.retain(specific);
    }
    let sided = matches!(reading.side, Some(1 | -1));
    for category in &mut list {
        *category = match *category {
            C::Pelvis if sided => C::Hip,
            C::Hip if !sided => C::Pelvis,
            C::Femur if !company.insect => C::Thigh,
            C::Tibia if !company.insect => C::Shin,
            C::Tarsus if !company.insect => C::Ball,
            C::Ring if !company.digits => C::Unknown,
            other => other,
        };
    }
    list.retain(|category| *category != C::Unknown);
    let digit = |c: &Category| matches!(c, C::Thumb | C::Index | C::Middle | C::Ring | C::Little);
    if let Some(named) = list.iter().copied().find(digit) {
        if list.contains(&C::Palm) {
            reading.numbers.insert(0, 0);
        }
        reading.also = list.iter().copied().find(|c| matches!(c, C::Hand | C::Foot | C::Toe | C::Wing));
        reading.category = Some(if reading.also == Some(C::Toe) { C::Toe } else { named });
        return false;
    }
    let last = list.last().copied();
    reading.also = list.first().copied().filter(|first| Some(*first) != last);
    let (category, used) = match last {
        Some(C::Leg) if fore => {
            reading.row = 1;
            (Some(C::Leg), true)
        }
        Some(C::Foot | C::Hand) if fore => {
            reading.row = 1;
            (last, true)
        }
        Some(C::Leg) if upper => (Some(C::Thigh), true),
        Some(C::Leg) if lower => (Some(C::Shin), true),
        Some(C::Arm) if upper => (Some(C::UpperArm), true),
        Some(C::Arm) if lower || fore => (Some(C::Forearm), true),
        Some(C::Spine | C::Body) if lower => (Some(C::Spine), false),
        Some(C::Toe) if list.contains(&C::Ball) => (Some(C::Ball), false),
        other => (other, false),
    };
    reading.category = category;
    used
}

/// Second thoughts that need all readings: pads numbers of names that share a stem, so that "tail" precedes "tail 1".
fn settle(readings: &mut [Reading]) {
    // Under an upper chest, the chest is one more joint of the back.
    if readings.iter().any(|reading| reading.upper_chest) {
        for reading in readings.iter_mut() {
            if reading.category == Some(Category::Chest) && !reading.upper_chest {
                reading.category = Some(Category::Spine);
            }
        }
    }
    let mut longest: BTreeMap<(u32, Option<i8>, u8), usize> = BTreeMap::new();
    for reading in readings.iter().filter(|reading| reading.pieces > 0) {
        let slot = longest.entry((reading.stem, reading.side, reading.row)).or_default();
        *slot = (*slot).max(reading.numbers.len());
    }
    for reading in readings.iter_mut() {
        reading.numbers.truncate(6);
        let most = longest.get(&(reading.stem, reading.side, reading.row)).copied().unwrap_or(0).min(6);
        if reading.pieces > 0 && reading.numbers.len() + 1 == most {
            reading.numbers.push(0);
        }
    }
}
