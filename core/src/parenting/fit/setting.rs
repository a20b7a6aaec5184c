//! What the suggester is shown of a skeleton whose parents are known: places, names, or the parts that a person would draw.

use std::collections::BTreeMap;

use super::super::lexicon::Category;
use super::super::names;
use super::boost::Dice;
use super::{Decided, Sample, augment};
use crate::model::{PartKind, Side};

/// What the suggester is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Setting {
    /// Positions.
    Bare,
    /// Positions and names.
    Named,
    /// Chains with tips, kinds and sides; the first joint of each chain is undecided.
    Plan,
}

impl Setting {
    /// Its name, also the expert's.
    pub fn name(self) -> &'static str {
        match self {
            Self::Bare => "bare",
            Self::Named => "named",
            Self::Plan => "plan",
        }
    }

    /// The ways to cut parts that are taught.
    pub(super) fn cuts(self) -> &'static [Cut] {
        if self == Self::Plan { &[Cut::Natural, Cut::Maximal, Cut::Loose] } else { &[Cut::Natural] }
    }

    /// The sample as this setting shows it.
    pub(super) fn show(self, sample: &Sample, cut: Cut, dice: &mut Dice) -> Sample {
        let mut out = sample.clone();
        match self {
            Self::Bare => {
                for item in &mut out.items {
                    item.name = None;
                }
            }
            Self::Named => {}
            Self::Plan => {
                if cut != Cut::Natural {
                    recut(&mut out, cut, dice);
                }
                chains(&mut out);
                if cut == Cut::Loose {
                    // A half-finished plan.
                    augment::decide(&mut out, dice, 0.2);
                }
            }
        }
        out
    }
}

/// Where parts are cut: people differ, and a suggester that has seen one way only relies on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cut {
    /// As a person would draw them.
    Natural,
    /// As far as they go: an only child continues, and so does a child of the same words.
    Maximal,
    /// As a person would draw them, but some in two.
    Loose,
}

/// Numbers the chains anew.
fn recut(sample: &mut Sample, cut: Cut, dice: &mut Dice) {
    let count = sample.items.len();
    let mut next = sample.chain.iter().copied().max().unwrap_or(0) + 1;
    match cut {
        Cut::Natural => {}
        Cut::Maximal => {
            let read = names::read(&sample.items.iter().map(|item| item.name.as_deref()).collect::<Vec<_>>());
            let mut children: Vec<Vec<usize>> = vec![Vec::new(); count];
            for (j, parent) in sample.truth.iter().enumerate() {
                if let Some(p) = parent {
                    children[*p].push(j);
                }
            }
            let own = |j: usize| (read.readings[j].stem, read.readings[j].side);
            let mut before: Vec<Option<usize>> = vec![None; count];
            for (p, list) in children.iter().enumerate() {
                let same = list.iter().copied().find(|j| own(*j) == own(p));
                if let Some(j) = if list.len() == 1 { list.first().copied() } else { same } {
                    before[j] = Some(p);
                }
            }
            for j in 0..count {
                let mut top = j;
                for _ in 0..count {
                    let Some(p) = before[top] else { break };
                    top = p;
                }
                sample.chain[j] = next + top;
            }
        }
        Cut::Loose => {
            for j in 0..count {
                if dice.unit() < 0.12 {
                    // This joint and what follows it in its chain.
                    let old = sample.chain[j];
                    let mut inside = vec![false; count];
                    inside[j] = true;
                    for _ in 0..count {
                        let mut grew = false;
                        for k in 0..count {
                            if !inside[k]
                                && sample.chain[k] == old
                                && sample.truth[k].is_some_and(|p| inside[p])
                            {
                                inside[k] = true;
                                grew = true;
                            }
                        }
                        if !grew {
                            break;
                        }
                    }
                    for (chain, inside) in sample.chain.iter_mut().zip(&inside) {
                        if *inside {
                            *chain = next;
                        }
                    }
                    next += 1;
                }
            }
        }
    }
}

/// Cuts a skeleton into the parts a person would declare.
fn chains(sample: &mut Sample) {
    let read = names::read(&sample.items.iter().map(|item| item.name.as_deref()).collect::<Vec<_>>());
    let count = sample.items.len();
    let mut lists: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    let depth = |j: usize| {
        let (mut at, mut steps) = (sample.truth[j], 0);
        while let Some(p) = at
            && steps < count
        {
            steps += 1;
            at = sample.truth[p];
        }
        steps
    };
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by_key(|j| depth(*j));
    for j in order {
        lists.entry(sample.chain[j]).or_default().push(j);
    }
    let mut number = 0;
    for list in lists.values() {
        // A joint whose parent is not the one before it in its chain starts a part of its own.
        let mut runs: Vec<Vec<usize>> = Vec::new();
        for j in list {
            match runs.iter_mut().find(|run| run.last().copied() == sample.truth[*j]) {
                Some(run) if sample.truth[*j].is_some() => run.push(*j),
                _ => runs.push(vec![*j]),
            }
        }
        for run in runs {
            let kind = run.iter().find_map(|j| kind_of(read.readings[*j].category?));
            let side = run.iter().find_map(|j| read.readings[*j].side);
            for (place, j) in run.iter().enumerate() {
                let item = &mut sample.items[*j];
                item.part = Some((number, place));
                item.kind = kind;
                item.side = match side {
                    Some(1) => Some(Side::Left),
                    Some(-1) => Some(Side::Right),
                    _ => None,
                };
                if place > 0 {
                    item.decided = Decided::Under(run[place - 1]);
                }
            }
            for pair in run.windows(2) {
                sample.items[pair[0]].tip = Some(sample.items[pair[1]].at);
            }
            number += 1;
        }
    }
}

fn kind_of(category: Category) -> Option<PartKind> {
    use Category as C;
    Some(match category {
        C::Root | C::Body | C::Pelvis | C::Spine | C::Chest => PartKind::Spine,
        C::Neck => PartKind::Neck,
        C::Head | C::Skull => PartKind::Head,
        C::Jaw | C::Mouth | C::Tongue => PartKind::Jaw,
        C::Eye | C::Lid | C::Brow => PartKind::Eye,
        C::Ear => PartKind::Ear,
        C::Clavicle | C::Shoulder | C::UpperArm | C::Arm | C::Elbow | C::Forearm | C::Wrist | C::Hand => {
            PartKind::Arm
        }
        C::Palm | C::Thumb | C::Index | C::Middle | C::Ring | C::Little | C::Finger | C::Toe => {
            PartKind::Digit
        }
        C::Hip | C::Thigh | C::Leg | C::Knee | C::Shin | C::Ankle | C::Heel | C::Foot | C::Ball => {
            PartKind::Leg
        }
        C::Coxa | C::Femur | C::Tibia | C::Tarsus => PartKind::Leg,
        C::Tail => PartKind::Tail,
        C::Wing | C::Feather => PartKind::Wing,
        C::Fin => PartKind::Fin,
        C::Feeler | C::Tentacle => PartKind::Feeler,
        _ => return None,
    })
}
