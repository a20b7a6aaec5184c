//! Elbows and knees that bend too far.

use glam::DQuat;

use crate::anatomy::limbs::arms_and_legs;
use crate::export::{SceneChannel, SceneClip, ScenePath};
use crate::facts::Hinge;
use crate::model::{Interpolation, JointId};
use crate::testing::plant::{Document, Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[Planter {
    check: "clips/range",
    band: Some("flexion"),
    plan: false,
    gltf: true,
    far: Some(25.0),
    plant: folded,
}];

/// Degrees that elbows and knees fold: Norkin, White, Measurement of Joint Motion, table A.1 (AAOS) for the elbow;
/// Soucie et al., Haemophilia 17:500–507, 2011, for the knee, the largest mean of its age groups.
const ELBOW: f64 = 150.0;
const KNEE: f64 = 152.6;

/// A new clip folds an elbow or a knee beyond what people can, and back.
fn folded(site: &mut Site<'_>) -> Option<Planted> {
    let Document::Scene(scene) = &site.ground.document else { return None };
    let mut scene = scene.clone();
    let (facts, rig) = (site.facts, site.facts.rig());
    let node = |joint: JointId| rig.joints[joint.index()].node.map(|node| node.index());
    let legal: Vec<(Hinge, bool)> = arms_and_legs(facts)
        .into_iter()
        .filter(|(hinge, _)| {
            // The angle is told from where the joints rest, so they rest where they were bound.
            [hinge.upper, hinge.mid].iter().all(|joint| site.at_bind(*joint) && site.unique(*joint))
                && node(hinge.mid).and_then(|mid| scene.nodes[mid].parent) == node(hinge.upper)
        })
        .collect();
    let (hinge, arm) = site.random.pick(&legal)?;
    let (upper, mid) = (node(hinge.upper)?, node(hinge.mid)?);
    let (_, to_world, _) = rig.nodes[upper].world.to_scale_rotation_translation();
    let (before, after) =
        ((hinge.at - hinge.start).try_normalize()?, (hinge.stop - hinge.at).try_normalize()?);
    let bend = before.angle_between(after).to_degrees();
    // The way it is bent already, if it is; else any.
    let way = before.cross(after).try_normalize().filter(|_| bend > 1.0);
    let axis = to_world.inverse() * way.unwrap_or_else(|| before.any_orthonormal_vector());
    let most = if arm { ELBOW } else { KNEE };
    let by = DQuat::from_axis_angle(axis, (most + site.amount - bend).to_radians());
    let rest = DQuat::from_array(scene.nodes[mid].rotation);
    let still = (rest, by * rest);
    let second = 0.25 + site.random.unit() as f32;
    let values = [still.0, still.1, still.0].into_iter().flat_map(|turn| turn.to_array()).map(|c| c as f32);
    scene.clips.push(SceneClip {
        name: "folding".into(),
        channels: vec![SceneChannel {
            node: mid,
            path: ScenePath::Rotation,
            interpolation: Interpolation::Linear,
            times: vec![0.0, second, 2.0 * second],
            values: values.collect(),
        }],
    });
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![site.pointer(hinge.mid)],
        what: format!("a clip folds {} by {:.1}°", site.name(hinge.mid), most + site.amount),
    })
}
