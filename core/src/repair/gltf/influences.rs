//! Repairs of single rows of influences: nothing here looks beyond one vertex.

use std::collections::BTreeSet;

use super::arguments::Arguments;
use super::rows::{Rows, Slot};
use super::{Done, Session, Stop, spread};

/// Sums within this of one, per influence, are one (glTF 2.0 §3.7.3.3).
const TOLERANCE: f64 = 2e-7;

/// The primitives that a fix names: one, or a list.
fn places(arguments: &Arguments<'_>) -> Result<Vec<(usize, usize)>, Stop> {
    if arguments.optional_index("mesh").is_some() {
        return Ok(vec![(arguments.index("mesh")?, arguments.index("primitive")?)]);
    }
    let list = arguments.list("primitives")?;
    list.iter().map(|one| Ok((one.index("mesh")?, one.index("primitive")?))).collect()
}

/// Runs over every row of the primitives that a fix names.
fn each(
    session: &mut Session<'_>,
    arguments: &Arguments<'_>,
    mut change: impl FnMut(&mut Rows, usize, &mut Vec<Slot>) -> bool,
) -> Done {
    let mut changed = false;
    for (mesh, primitive) in places(arguments)? {
        changed |= each_of(session, mesh, primitive, &mut change)?;
    }
    Ok(changed)
}

fn each_of(
    session: &mut Session<'_>,
    mesh: usize,
    primitive: usize,
    change: &mut impl FnMut(&mut Rows, usize, &mut Vec<Slot>) -> bool,
) -> Done {
    let rows = session.rows(mesh, primitive)?;
    let mut slots = Vec::new();
    let mut changed = false;
    for vertex in 0..rows.count {
        rows.read(vertex, &mut slots);
        changed |= change(rows, vertex, &mut slots);
    }
    Ok(changed)
}

/// Whether a row sums to one as its storage asks.
fn sums(rows: &Rows, slots: &[Slot]) -> bool {
    let sum: f64 = slots.iter().map(|(_, weight)| weight).sum();
    match rows.whole() {
        Some(whole) => {
            let raw: f64 = slots.iter().map(|(_, weight)| (weight * whole).round()).sum();
            (raw - whole).abs() < 0.5
        }
        None => {
            let used = slots.iter().filter(|(_, weight)| *weight != 0.0).count();
            (sum - 1.0).abs() <= TOLERANCE * used as f64
        }
    }
}

/// Divides rows by their sum.
pub(super) fn renormalise(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    each(session, arguments, |rows, vertex, slots| !sums(rows, slots) && rows.put_whole(vertex, slots))
}

/// Sets negative and infinite weights to zero and scales the rest to one. A row with nothing else keeps the joints
/// that it names.
pub(super) fn clamp(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    each(session, arguments, |rows, vertex, slots| {
        let bad = |weight: f64| weight < 0.0 || weight.is_infinite();
        if slots.iter().any(|(_, weight)| weight.is_nan()) || !slots.iter().any(|(_, weight)| bad(*weight)) {
            return false;
        }
        let sound = slots.iter().any(|(_, weight)| *weight > 0.0 && weight.is_finite());
        let infinite = slots.iter().any(|(_, weight)| *weight == f64::INFINITY);
        for (_, weight) in slots.iter_mut() {
            *weight = match (sound, infinite) {
                (true, _) => {
                    if bad(*weight) {
                        0.0
                    } else {
                        *weight
                    }
                }
                (false, true) => {
                    if *weight == f64::INFINITY {
                        1.0
                    } else {
                        0.0
                    }
                }
                (false, false) => {
                    if weight.is_infinite() {
                        1.0
                    } else {
                        weight.abs()
                    }
                }
            };
        }
        rows.put_whole(vertex, slots)
    })
}

/// Sets index and weight of influences outside the skin to zero and scales the rest to one; unused slots get index
/// zero. A row that is left with nothing gets the weights of the skin next to it.
pub(super) fn zero(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mut changed = false;
    for (mesh, primitive) in places(arguments)? {
        let (_, skin) = session.skin_of(mesh)?;
        let joints = skin.joints.len();
        let mut bare = BTreeSet::new();
        changed |= each_of(session, mesh, primitive, &mut |rows, vertex, slots| {
            let outside = |slot: u16| usize::from(slot) >= joints;
            if slots.iter().any(|(slot, weight)| outside(*slot) && *weight != 0.0) {
                for (slot, weight) in slots.iter_mut().filter(|(slot, _)| outside(*slot)) {
                    (*slot, *weight) = (0, 0.0);
                }
                if slots.iter().any(|(_, weight)| *weight != 0.0) {
                    return rows.put_whole(vertex, slots);
                }
                bare.insert(vertex);
                return rows.put(vertex, slots);
            }
            slots.iter().any(|(slot, weight)| *weight == 0.0 && *slot != 0) && rows.put(vertex, slots)
        })?;
        if !bare.is_empty() {
            spread::fill(session, mesh, primitive, Some(&bare))?;
        }
    }
    Ok(changed)
}

/// Gives what a joint has in several slots to the first of them.
pub(super) fn merge(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    each(session, arguments, |rows, vertex, slots| {
        let mut found = false;
        for at in 1..slots.len() {
            let (joint, weight) = slots[at];
            if weight == 0.0 || weight.is_nan() {
                continue;
            }
            if let Some(first) = (0..at).find(|first| slots[*first].0 == joint && slots[*first].1 != 0.0) {
                slots[first].1 += weight;
                slots[at] = (0, 0.0);
                found = true;
            }
        }
        found && rows.put(vertex, slots)
    })
}

/// Keeps at most `most` influences, drops those below `least`, and scales the rest to one. The largest always stays.
pub(super) fn trim(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let most = arguments.optional_index("most").unwrap_or(usize::MAX).max(1);
    let least = arguments.optional_number("least").unwrap_or(0.0);
    each(session, arguments, |rows, vertex, slots| {
        let sum: f64 = slots.iter().map(|(_, weight)| weight).sum();
        if !(sum > 0.0 && sum.is_finite()) {
            return false;
        }
        let mut order: Vec<usize> = (0..slots.len()).filter(|at| slots[*at].1 > 0.0).collect();
        order.sort_by(|a, b| slots[*b].1.total_cmp(&slots[*a].1));
        let gone: Vec<usize> = order
            .iter()
            .enumerate()
            .skip(1)
            .filter(|(place, at)| *place >= most || slots[**at].1 < least * sum)
            .map(|(_, at)| *at)
            .collect();
        for at in &gone {
            slots[*at] = (0, 0.0);
        }
        !gone.is_empty() && rows.put_whole(vertex, slots)
    })
}
