//! Generated skeletons, with habits as chance.

use glam::DVec3;

use super::Sample;
use super::boost::Dice;
use crate::parenting::skeleton::Item;

/// A limb-like chain to be grown.
struct Grower {
    items: Vec<Item>,
    truth: Vec<Option<usize>>,
    chain: Vec<usize>,
    chains: usize,
    style: Style,
}

/// How names are written.
#[derive(Clone, Copy)]
struct Style {
    separator: &'static str,
    side_first: bool,
    long_sides: bool,
    capital: bool,
    digits: usize,
    first: usize,
}

impl Style {
    fn new(dice: &mut Dice) -> Self {
        Self {
            separator: ["_", ".", " ", "-", ""][dice.below(5)],
            side_first: dice.unit() < 0.4,
            long_sides: dice.unit() < 0.4,
            capital: dice.unit() < 0.5,
            digits: 1 + dice.below(3),
            first: dice.below(2),
        }
    }

    fn name(&self, word: &str, number: Option<usize>, side: i8) -> String {
        let capital = |word: &str| {
            let mut letters = word.chars();
            letters.next().map_or(String::new(), |c| c.to_uppercase().collect::<String>() + letters.as_str())
        };
        let word = if self.capital || self.separator.is_empty() { capital(word) } else { word.to_owned() };
        let side = match (side, self.long_sides) {
            (1, true) => "Left",
            (1, false) => "L",
            (-1, true) => "Right",
            (-1, false) => "R",
            _ => "",
        };
        let number = number.map_or(String::new(), |n| format!("{:0w$}", n + self.first, w = self.digits));
        let mut parts = vec![word, number];
        if self.side_first {
            parts.insert(0, side.to_owned());
        } else {
            parts.push(side.to_owned());
        }
        parts.retain(|part| !part.is_empty());
        parts.join(self.separator)
    }
}

impl Grower {
    fn put(&mut self, name: String, at: DVec3, parent: Option<usize>) -> usize {
        self.items.push(Item::new(Some(&name), at));
        self.truth.push(parent);
        self.chain.push(self.chains);
        self.items.len() - 1
    }

    /// A chain of joints from a parent: names as given (or one word, numbered), along a curve.
    fn chain(
        &mut self,
        words: &[&str],
        count: usize,
        side: i8,
        from: (Option<usize>, DVec3),
        step: DVec3,
        bend: DVec3,
    ) -> Vec<usize> {
        self.chains += 1;
        let (mut parent, mut at) = from;
        let mut out = Vec::new();
        let mut step = step;
        for k in 0..count {
            let name = if words.len() == 1 {
                self.style.name(words[0], (count > 1).then_some(k), side)
            } else {
                self.style.name(words[k.min(words.len() - 1)], None, side)
            };
            let joint = self.put(name, at, parent);
            out.push(joint);
            parent = Some(joint);
            at += step;
            step = (step + bend) * 0.93;
        }
        out
    }
}

fn mirrored(v: DVec3, side: i8) -> DVec3 {
    DVec3::new(v.x * f64::from(side), v.y, v.z)
}

/// The `index`-th skeleton.
pub fn synthetic(dice: &mut Dice, index: usize) -> Sample {
    let style = Style::new(dice);
    let mut grower = Grower { items: Vec::new(), truth: Vec::new(), chain: Vec::new(), chains: 0, style };
    let body = index % 5;
    let mut r = |low: f64, high: f64| low + (high - low) * dice.unit();
    match body {
        0 => {
            // A biped: trunk up, two legs, two arms with digits.
            let trunk = r(2.0, 5.0) as usize;
            let hips = DVec3::new(0.0, 1.0, 0.0);
            let rise = DVec3::new(0.0, 0.5 / trunk as f64, r(-0.02, 0.02));
            let root = grower.put(style.name("root", None, 0), DVec3::ZERO, None);
            let pelvis = grower.chain(&["pelvis"], 1, 0, (Some(root), hips), rise, DVec3::ZERO)[0];
            let spine = grower.chain(&["spine"], trunk, 0, (Some(pelvis), hips + rise), rise, DVec3::ZERO);
            let chest = spine[spine.len() - 1];
            let top = grower.items[chest].at + rise;
            let neck = grower.chain(
                &["neck", "head"],
                2,
                0,
                (Some(chest), top),
                DVec3::new(0.0, 0.12, 0.01),
                DVec3::ZERO,
            );
            let _ = neck;
            let (wide, digits) = (r(0.08, 0.14), r(0.0, 6.0) as usize);
            let drop = r(0.0, 0.8);
            for side in [1, -1] {
                let leg = mirrored(DVec3::new(wide, 0.95, 0.0), side);
                grower.chain(
                    &["thigh", "shin", "foot", "toe"],
                    4,
                    side,
                    (Some(pelvis), leg),
                    DVec3::new(0.0, -0.42, 0.01),
                    DVec3::new(0.0, 0.0, 0.06),
                );
                let shoulder = mirrored(DVec3::new(0.05, top.y - 0.05, 0.0), side);
                let out = mirrored(DVec3::new(0.2, -drop * 0.2, 0.0), side);
                let arm = grower.chain(
                    &["clavicle", "upperarm", "forearm", "hand"],
                    4,
                    side,
                    (Some(chest), shoulder),
                    out,
                    DVec3::ZERO,
                );
                let hand = arm[3];
                for digit in 0..digits {
                    let word = ["thumb", "index", "middle", "ring", "pinky"][digit.min(4)];
                    let at =
                        grower.items[hand].at + out * 0.3 + DVec3::new(0.0, 0.0, 0.04 - 0.02 * digit as f64);
                    grower.chain(&[word], 3, side, (Some(hand), at), out * 0.15, DVec3::ZERO);
                }
            }
        }
        1 => {
            // A quadruped: trunk along z, four legs, neck and tail.
            let trunk = r(3.0, 6.0) as usize;
            let along = DVec3::new(0.0, 0.0, 1.0 / trunk as f64);
            let start = DVec3::new(0.0, 0.8, -0.5);
            let spine = grower.chain(&["spine"], trunk, 0, (None, start), along, DVec3::ZERO);
            let (hind, chest) = (spine[0], spine[spine.len() - 1]);
            let tail = r(2.0, 7.0) as usize;
            grower.chain(
                &["tail"],
                tail,
                0,
                (Some(hind), start - along * 0.4),
                DVec3::new(0.0, 0.02, -0.15),
                DVec3::new(0.0, -0.03, 0.0),
            );
            let end = grower.items[chest].at + along;
            let neck =
                grower.chain(&["neck"], 2, 0, (Some(chest), end), DVec3::new(0.0, 0.12, 0.12), DVec3::ZERO);
            let top = grower.items[neck[1]].at + DVec3::new(0.0, 0.1, 0.12);
            let head = grower.chain(&["head"], 1, 0, (Some(neck[1]), top), DVec3::Z * 0.1, DVec3::ZERO)[0];
            grower.chain(
                &["jaw"],
                1,
                0,
                (Some(head), top + DVec3::new(0.0, -0.05, 0.05)),
                DVec3::Z,
                DVec3::ZERO,
            );
            let wide = r(0.08, 0.2);
            for side in [1, -1] {
                for (z, from, words) in [
                    (-0.45, hind, ["thigh", "shin", "ankle", "foot"]),
                    (0.4, chest, ["shoulder", "upperarm", "forearm", "hand"]),
                ] {
                    let at = mirrored(DVec3::new(wide, 0.7, z), side);
                    grower.chain(
                        &words,
                        4,
                        side,
                        (Some(from), at),
                        DVec3::new(0.0, -0.22, 0.02),
                        DVec3::new(0.0, 0.0, -0.01),
                    );
                }
                grower.chain(
                    &["ear"],
                    1,
                    side,
                    (Some(head), top + mirrored(DVec3::new(0.05, 0.08, 0.0), side)),
                    DVec3::Y,
                    DVec3::ZERO,
                );
            }
        }
        2 => {
            // Many legs around a short body.
            let root = grower.put(style.name("body", None, 0), DVec3::new(0.0, 0.4, 0.0), None);
            let pairs = r(2.0, 6.0) as usize;
            let joints = r(2.0, 5.0) as usize;
            for side in [1, -1] {
                for pair in 0..pairs {
                    let z = 0.3 - 0.6 * pair as f64 / pairs as f64;
                    let at = mirrored(DVec3::new(0.1, 0.4, z), side);
                    grower.chains += 1;
                    let word = "leg";
                    let (mut parent, mut place) = (root, at);
                    let mut step = mirrored(DVec3::new(0.18, 0.12, z * 0.3), side);
                    for k in 0..joints {
                        let name = format!("{}{}{k}", style.name(word, Some(pair), side), "_");
                        parent = grower.put(name, place, Some(parent));
                        place += step;
                        step.y -= 0.16;
                    }
                }
            }
        }
        3 => {
            // A swimmer: a long chain with fins.
            let count = r(4.0, 14.0) as usize;
            let along = DVec3::new(0.0, 0.0, -1.5 / count as f64);
            let word = ["spine", "body", "tail"][r(0.0, 2.99) as usize];
            let back = grower.chain(&[word], count, 0, (None, DVec3::new(0.0, 0.0, 0.6)), along, DVec3::ZERO);
            let first = back[r(0.0, count as f64 * 0.5) as usize];
            for side in [1, -1] {
                let at = grower.items[first].at + mirrored(DVec3::new(0.1, -0.05, 0.0), side);
                grower.chain(
                    &["fin"],
                    2,
                    side,
                    (Some(first), at),
                    mirrored(DVec3::new(0.1, -0.03, -0.05), side),
                    DVec3::ZERO,
                );
            }
            let top = back[count / 2];
            let at = grower.items[top].at + DVec3::Y * 0.12;
            grower.chain(&["dorsal"], 2, 0, (Some(top), at), DVec3::new(0.0, 0.1, -0.05), DVec3::ZERO);
            let jaw = grower.items[back[0]].at + DVec3::new(0.0, -0.05, 0.08);
            grower.chain(&["jaw"], 1, 0, (Some(back[0]), jaw), DVec3::Z, DVec3::ZERO);
        }
        _ => {
            // A stem that branches.
            let stem = r(2.0, 6.0) as usize;
            let trunk = grower.chain(
                &["stem"],
                stem,
                0,
                (None, DVec3::ZERO),
                DVec3::Y * 0.3,
                DVec3::new(r(-0.05, 0.05), 0.0, 0.0),
            );
            let branches = r(2.0, 7.0) as usize;
            for branch in 0..branches {
                let from = trunk[branch % trunk.len()];
                let turn = 2.4 * branch as f64;
                let out = DVec3::new(turn.cos(), 0.5, turn.sin()) * 0.2;
                let at = grower.items[from].at + out * 0.8;
                let word = format!("branch{branch}");
                grower.chain(&[&word], 3, 0, (Some(from), at), out, DVec3::ZERO);
            }
        }
    }
    let count = grower.items.len();
    let rest = grower.items.iter().map(|item| item.at).collect();
    Sample {
        name: format!("generated {index}"),
        maker: format!("generated {}", index % 40),
        kind: "generated".into(),
        items: grower.items,
        rest,
        truth: grower.truth,
        deforming: vec![true; count],
        chain: grower.chain,
    }
}
