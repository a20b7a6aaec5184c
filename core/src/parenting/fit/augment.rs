//! Changed copies of a skeleton: posed, jittered, mirrored, with joints left out, with names weakened or replaced.

use std::collections::BTreeMap;

use glam::DVec3;

use super::boost::Dice;
use super::setting::Setting;
use super::{Decided, Sample};

/// The `copy`-th changed copy.
pub(super) fn changed(sample: &Sample, copy: usize, setting: Setting, dice: &mut Dice) -> Sample {
    let mut out = sample.clone();
    let size = span(&out).max(1e-9);
    if copy.is_multiple_of(2) {
        // The pose the file was left in is a pose that people leave files in.
        for (item, rest) in out.items.iter_mut().zip(&sample.rest) {
            item.at = *rest;
        }
    }
    if dice.unit() < 0.5 {
        for item in &mut out.items {
            item.at.x = -item.at.x;
        }
    }
    let stretch =
        DVec3::new((dice.normal() * 0.12).exp(), (dice.normal() * 0.12).exp(), (dice.normal() * 0.12).exp());
    let jitter = if dice.unit() < 0.5 { size * 0.003 } else { 0.0 };
    for item in &mut out.items {
        item.at = item.at * stretch + DVec3::new(dice.normal(), dice.normal(), dice.normal()) * jitter;
    }
    if dice.unit() < 0.5 {
        out = without(&out, dice, 0.08);
    }
    if setting != Setting::Bare {
        match copy % 3 {
            1 => rename(&mut out, dice, 0.85, true),
            2 => rename(&mut out, dice, 0.4, false),
            _ => {
                if dice.unit() < 0.3 {
                    rename(&mut out, dice, 0.2, false);
                }
            }
        }
    }
    out.name = format!("{} (copy {copy})", sample.name);
    out
}

fn span(sample: &Sample) -> f64 {
    let low = sample.items.iter().map(|item| item.at).reduce(DVec3::min).unwrap_or_default();
    let high = sample.items.iter().map(|item| item.at).reduce(DVec3::max).unwrap_or_default();
    (high - low).length()
}

/// Leaves joints out; their children hang from the next one up.
fn without(sample: &Sample, dice: &mut Dice, share: f64) -> Sample {
    let keep: Vec<bool> = sample.truth.iter().map(|p| p.is_none() || dice.unit() >= share).collect();
    let order: Vec<usize> = (0..keep.len()).filter(|j| keep[*j]).collect();
    if order.len() < 4 {
        return sample.clone();
    }
    let mut place = vec![usize::MAX; keep.len()];
    for (new, old) in order.iter().enumerate() {
        place[*old] = new;
    }
    let up = |old: usize| {
        let mut at = sample.truth[old];
        while let Some(p) = at
            && !keep[p]
        {
            at = sample.truth[p];
        }
        at.map(|p| place[p])
    };
    Sample {
        name: sample.name.clone(),
        maker: sample.maker.clone(),
        kind: sample.kind.clone(),
        items: order.iter().map(|old| sample.items[*old].clone()).collect(),
        rest: order.iter().map(|old| sample.rest[*old]).collect(),
        truth: order.iter().map(|old| up(*old)).collect(),
        deforming: order.iter().map(|old| sample.deforming[*old]).collect(),
        chain: order.iter().map(|old| sample.chain[*old]).collect(),
    }
}

/// Replaces words by made-up ones, the same word always by the same; sides and numbers stay.
fn rename(sample: &mut Sample, dice: &mut Dice, share: f64, whole: bool) {
    const KEEP: &[&str] = &["left", "right", "l", "r", "front", "back", "rear", "hind", "ik", "end", "ctrl"];
    let mut made: BTreeMap<String, String> = BTreeMap::new();
    let blank = whole && dice.unit() < 0.3;
    for item in &mut sample.items {
        let Some(name) = &item.name else { continue };
        let mut out = String::new();
        let mut word = String::new();
        let finish =
            |word: &mut String, out: &mut String, dice: &mut Dice, made: &mut BTreeMap<String, String>| {
                if word.is_empty() {
                    return;
                }
                let small = word.to_lowercase();
                if KEEP.contains(&small.as_str()) {
                    out.push_str(word);
                } else {
                    let other = made.entry(small.clone()).or_insert_with(|| {
                        if blank {
                            "joint".to_owned()
                        } else if dice.unit() < share {
                            nonsense(dice)
                        } else {
                            small.clone()
                        }
                    });
                    if other.as_str() == small {
                        out.push_str(word);
                    } else {
                        let mut letters = other.chars();
                        if let Some(first) = letters.next() {
                            out.extend(first.to_uppercase());
                            out.push_str(letters.as_str());
                        }
                    }
                }
                word.clear();
            };
        let mut before = ' ';
        for letter in name.chars() {
            if letter.is_alphabetic() {
                if letter.is_uppercase() && before.is_lowercase() {
                    finish(&mut word, &mut out, dice, &mut made);
                }
                word.push(letter);
            } else {
                finish(&mut word, &mut out, dice, &mut made);
                out.push(letter);
            }
            before = letter;
        }
        finish(&mut word, &mut out, dice, &mut made);
        item.name = Some(out);
    }
}

fn nonsense(dice: &mut Dice) -> String {
    const FIRST: &[&str] = &["b", "d", "g", "k", "m", "n", "p", "s", "t", "v", "z", "br", "kr", "pl"];
    const NEXT: &[&str] = &["a", "e", "i", "o", "u", "ai", "or", "en"];
    (0..2 + dice.below(2))
        .map(|_| format!("{}{}", FIRST[dice.below(FIRST.len())], NEXT[dice.below(NEXT.len())]))
        .collect()
}

/// Decides some parents, as a half-finished plan does.
pub(super) fn decide(sample: &mut Sample, dice: &mut Dice, share: f64) {
    for (item, truth) in sample.items.iter_mut().zip(&sample.truth) {
        if dice.unit() < share {
            item.decided = truth.map_or(Decided::Root, Decided::Under);
        }
    }
}
