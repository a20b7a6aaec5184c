//! What names say, against what the rig is.

pub mod copy_leftover;
pub mod sequence;
pub mod side_mismatch;
pub mod side_missing;
pub mod side_on_centre;
pub mod standard;
pub mod style;
pub mod twin_disagrees;
pub mod twin_missing;

use std::collections::BTreeMap;

use crate::check::Context;
use crate::model::JointId;

/// Twins by shape that stand apart from the mirror plane, and how many of them their names tell apart.
struct SidedPairs {
    /// Left and right by place.
    pairs: Vec<(JointId, JointId)>,
    /// Pairs of which one is named left, the other right.
    opposite: usize,
    /// Pairs that are named for one side: the plane lies between front and back, or names are wrong.
    same: usize,
}

/// Closer to the plane than this share of S, a joint has no side to be on.
const ON_PLANE: f64 = 5e-3;

impl SidedPairs {
    fn new(ctx: &Context<'_>) -> Self {
        let names = ctx.facts.names();
        let mut out = Self { pairs: Vec::new(), opposite: 0, same: 0 };
        for (left, right) in &ctx.facts.twins().pairs {
            if off_plane(ctx, *left) <= ON_PLANE {
                continue;
            }
            out.pairs.push((*left, *right));
            match (names.sided(*left), names.sided(*right)) {
                (Some(a), Some(b)) if a == b => out.same += 1,
                (Some(_), Some(_)) => out.opposite += 1,
                _ => {}
            }
        }
        out
    }

    /// The rig tells sides by name: at least half of its twins do, and the plane is the one between left and right.
    fn conventional(&self) -> bool {
        self.opposite > 0 && self.opposite > self.same && self.opposite * 2 >= self.pairs.len()
    }
}

/// A joint's distance from the mirror plane, as a share of S.
fn off_plane(ctx: &Context<'_>, joint: JointId) -> f64 {
    let plane = ctx.facts.mirror();
    plane.map_or(0.0, |plane| plane.distance(ctx.facts.origin(joint)).abs() / ctx.facts.s())
}

/// Joints by name, without an exporter's numbers; case apart, because people write the two sides at different times.
struct ByName(BTreeMap<String, Vec<JointId>>);

impl ByName {
    fn new(ctx: &Context<'_>) -> Self {
        let mut map: BTreeMap<String, Vec<JointId>> = BTreeMap::new();
        for (index, name) in ctx.facts.names().plain.iter().enumerate() {
            map.entry(name.to_lowercase()).or_default().push(JointId::new(index));
        }
        Self(map)
    }

    fn has(&self, name: &str) -> bool {
        self.0.contains_key(&name.to_lowercase())
    }

    /// The one joint of this name.
    fn only(&self, name: &str) -> Option<JointId> {
        let joints = self.0.get(&name.to_lowercase())?;
        if let [only] = joints.as_slice() { Some(*only) } else { None }
    }
}

/// What an exporter appended to a joint's name.
fn appended<'a>(ctx: &Context<'a>, joint: JointId) -> &'a str {
    let whole = ctx.rig.joints[joint.index()].name.as_deref().unwrap_or("");
    whole.get(ctx.facts.names().plain[joint.index()].len()..).unwrap_or("")
}
