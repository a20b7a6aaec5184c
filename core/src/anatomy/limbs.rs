//! The arms and legs of a figure.

use crate::facts::{Facts, Hinge};
use crate::model::PartKind;

/// Arms (true) and legs of a figure that has two of each, by their hinges; those of stylised parts are left out.
pub(crate) fn arms_and_legs(facts: &Facts<'_>) -> Vec<(Hinge, bool)> {
    let rig = facts.rig();
    let natural = |hinge: &&Hinge| {
        let part = rig.joints[hinge.mid.index()].part.map(|part| &rig.parts[part.index()]);
        !part.is_some_and(|part| part.stylised)
    };
    let hinges = facts.hinges();
    if hinges.iter().all(|hinge| hinge.kind.is_some()) {
        return hinges.iter().filter(natural).map(|h| (*h, h.kind == Some(PartKind::Arm))).collect();
    }
    // Without kinds: two limbs reach down, two start higher.
    let [a, b, c, d] = hinges else { return Vec::new() };
    let mut limbs = [a, b, c, d];
    limbs.sort_by(|a, b| a.start.y.total_cmp(&b.start.y).then(a.mid.cmp(&b.mid)));
    let falls = |hinge: &Hinge| (hinge.start - hinge.stop).normalize_or_zero().y > 0.8;
    let clear = limbs[1].start.y < limbs[2].start.y - 0.1 * facts.s();
    if !(clear && falls(limbs[0]) && falls(limbs[1])) {
        return Vec::new();
    }
    limbs.iter().enumerate().map(|(at, hinge)| (**hinge, at >= 2)).collect()
}
