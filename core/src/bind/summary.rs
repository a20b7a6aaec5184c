//! A trial bind in numbers, on the wire.

use serde::{Deserialize, Serialize};

use super::TrialBind;
use crate::check::Labels;
use crate::facts::Facts;
use crate::finding::round;

/// What a trial bind came to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = TrialBindSummary))]
pub struct Summary {
    /// Points of the skin after welding.
    pub points: u64,
    /// Its triangles, without degenerate and repeated ones.
    pub triangles: u64,
    /// Its area, square metres.
    pub area: f64,
    /// Shells: what triangles connect.
    pub shells: u64,
    /// Shells that one joint moves whole.
    pub rigid_shells: u64,
    /// The body is made of rigid pieces.
    pub rigid_pieces: bool,
    /// Parts of the body that are pieces, and so were not bound.
    pub pieces: u64,
    /// How far the forecast can be trusted, 0 to 1, mean over the skin.
    pub confidence: f64,
    /// Share of the skin that sees no deforming joint from inside, has an inside, and is far from all of them.
    pub unseen: f64,
    /// Share of the skin that sees none either, but lies near to one, as layers do.
    pub layers: f64,
    /// Share of the skin that is a sheet without inside and sees none.
    pub sheets: f64,
    /// Influences that were kept per point.
    #[serde(default = "kept")]
    pub influences: u64,
    /// How the points stand for a skin of more; absent where the skin was bound as it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reduced: Option<ReducedSkin>,
    /// Memory that the bind took, bytes: what is kept of it, and the largest shell's equations.
    #[serde(default)]
    pub bytes: u64,
    /// Vertices that share a point with an earlier one.
    pub welded: u64,
    /// Triangles with two corners at one point, left out.
    pub degenerate: u64,
    /// Triangles that repeat another one's corners, left out.
    pub repeated: u64,
    /// Corners of triangles too sharp to count whole.
    pub clamped: u64,
    /// Edges between obtuse triangles, given the least weight.
    pub raised: u64,
    /// All edges.
    pub edges: u64,
    /// The joints that took part, in the plan's order.
    pub joints: Vec<BoundJoint>,
}

/// A skin with too many points, bound by a smaller mesh.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ReducedSkin {
    /// Points of the whole skin, after welding.
    pub points: u64,
    /// Its triangles.
    pub triangles: u64,
    /// Mean distance of the whole skin's points from the smaller mesh, by area, metres.
    pub mean_distance: f64,
    /// The largest, metres.
    pub largest_distance: f64,
}

fn kept() -> u64 {
    super::KEPT as u64
}

/// A joint's part in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct BoundJoint {
    /// Its name.
    pub name: String,
    /// Its place in the plan, a JSON Pointer.
    pub pointer: String,
    /// Share of the skin on which it is the strongest.
    pub owns: f64,
    /// Its mean weight over the skin.
    pub weight: f64,
    /// The body radius around its segments, metres.
    pub radius: f64,
}

impl Summary {
    /// The numbers of the plan's trial bind, if there is one.
    pub fn of(facts: &Facts<'_>) -> Option<Self> {
        let bind: &TrialBind = facts.trial_bind().ok()?;
        let labels = Labels::new(facts.rig());
        let unseen = facts.solid().map(|body| bind.unseen(body)).unwrap_or_default();
        let owned = bind.owned();
        let mut sums = vec![0.0; bind.joints.len()];
        for (row, mass) in bind.rows.iter().zip(&bind.graph.mass) {
            for (slot, weight) in row.influences() {
                sums[slot as usize] += weight * mass;
            }
        }
        let share = |area: f64| round(area / bind.graph.area);
        let mended = bind.graph.mended;
        let joints = bind.joints.iter().enumerate().map(|(slot, joint)| BoundJoint {
            name: labels.joint(*joint).to_owned(),
            pointer: labels.pointer(*joint).to_owned(),
            owns: share(owned[slot]),
            weight: share(sums[slot]),
            radius: round(bind.radius[slot]),
        });
        Some(Self {
            points: bind.graph.points.len() as u64,
            triangles: bind.graph.triangles.len() as u64,
            area: round(bind.graph.area),
            shells: bind.shells.len() as u64,
            rigid_shells: bind.shells.iter().filter(|shell| shell.rigid.is_some()).count() as u64,
            rigid_pieces: bind.rigid_pieces,
            pieces: bind.carried.iter().filter(|carried| carried.is_some()).count() as u64,
            confidence: round(bind.confidence()),
            unseen: share(unseen.area),
            layers: share(unseen.layers),
            sheets: share(unseen.sheets),
            influences: bind.influences as u64,
            reduced: bind.reduced.as_ref().map(|reduced| ReducedSkin {
                points: reduced.points,
                triangles: reduced.triangles,
                mean_distance: round(reduced.mean),
                largest_distance: round(reduced.largest),
            }),
            bytes: bind.bytes(),
            welded: mended.welded,
            degenerate: mended.degenerate,
            repeated: mended.repeated,
            clamped: mended.clamped,
            raised: mended.raised,
            edges: mended.edges,
            joints: joints.collect(),
        })
    }
}
