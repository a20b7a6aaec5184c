//! What is drawn of a skeleton: joints by kind, the lines between them, and the nodes of what moves without joints.

use glam::DVec3;

use crate::facts::Facts;
use crate::model::{NodeId, Parent, Rig, Role, Source};

/// How a joint is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Kind {
    /// It moves skin; also every joint of a file in which nothing says which do.
    Deforming,
    /// It only carries pieces or other joints, or has no weight.
    Carrying,
    /// It moves other joints.
    Control,
    /// A node that moves meshes, in a file without joints.
    Node,
}

impl Kind {
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Deforming => "deforming",
            Self::Carrying => "carrying",
            Self::Control => "control",
            Self::Node => "node",
        }
    }
}

/// A joint where it is drawn.
#[derive(Debug, Clone)]
pub(super) struct Dot {
    /// The joint's number, or the node's.
    pub(super) number: u32,
    pub(super) at: DVec3,
    pub(super) kind: Kind,
    pub(super) root: bool,
    /// The dot that it hangs from.
    pub(super) parent: Option<usize>,
    /// The end of a segment that ends at no joint.
    pub(super) tip: Option<DVec3>,
    pub(super) name: String,
}

/// The dots with finite places, and how many have none.
#[derive(Debug, Default)]
pub(super) struct Skeleton {
    pub(super) dots: Vec<Dot>,
    pub(super) nowhere: u64,
}

impl Skeleton {
    pub(super) fn new(facts: &Facts<'_>) -> Self {
        let rig = facts.rig();
        if rig.joints.is_empty() { Self::of_nodes(rig) } else { Self::of_joints(facts) }
    }

    fn of_joints(facts: &Facts<'_>) -> Self {
        let rig = facts.rig();
        let told = rig.source == Source::Plan || facts.has_weights();
        let mut place: Vec<Option<usize>> = vec![None; rig.joints.len()];
        let mut out = Self::default();
        for (index, joint) in rig.joints.iter().enumerate() {
            let at = joint.origin();
            if !at.is_finite() {
                out.nowhere += 1;
                continue;
            }
            let kind = match joint.role {
                Some(Role::Control) => Kind::Control,
                Some(Role::Carrying) => Kind::Carrying,
                None if told && !facts.deforms(crate::model::JointId::new(index)) => Kind::Carrying,
                Some(Role::Deforming) | None => Kind::Deforming,
            };
            place[index] = Some(out.dots.len());
            out.dots.push(Dot {
                number: index as u32,
                at,
                kind,
                root: matches!(joint.parent, Parent::Root),
                parent: None,
                tip: joint.tip.filter(|tip| tip.is_finite()),
                name: joint.name.clone().unwrap_or_default(),
            });
        }
        let near = 1e-3 * facts.s();
        let mut met = vec![false; out.dots.len()];
        for dot in 0..out.dots.len() {
            if let Parent::Joint(parent) = &rig.joints[out.dots[dot].number as usize].parent
                && let Some(parent) = place[parent.index()]
            {
                out.dots[dot].parent = Some(parent);
                let tip = out.dots[parent].tip;
                met[parent] |= tip.is_some_and(|tip| (tip - out.dots[dot].at).length() <= near);
            }
        }
        for (dot, met) in out.dots.iter_mut().zip(met) {
            dot.tip = dot.tip.filter(|tip| !met && (*tip - dot.at).length() > near);
        }
        out
    }

    /// Of a file without joints: the nodes that its clips move, and those above them that hold them together.
    fn of_nodes(rig: &Rig) -> Self {
        let mut moved = vec![false; rig.nodes.len()];
        for channel in rig.clips.iter().flat_map(|clip| &clip.channels) {
            if let Some(node) = channel.node {
                moved[node.index()] = true;
            }
        }
        let above = |node: usize| {
            std::iter::successors(rig.nodes[node].parent, |up| rig.nodes[up.index()].parent)
                .find(|up| moved[up.index()])
        };
        let mut place = vec![None; rig.nodes.len()];
        let mut out = Self::default();
        for (index, node) in rig.nodes.iter().enumerate().filter(|(index, _)| moved[*index]) {
            let at = node.world.w_axis.truncate();
            if !at.is_finite() {
                out.nowhere += 1;
                continue;
            }
            place[index] = Some(out.dots.len());
            let name = node.name.clone().unwrap_or_default();
            let number = NodeId::new(index).0;
            out.dots.push(Dot { number, at, kind: Kind::Node, root: false, parent: None, tip: None, name });
        }
        for dot in &mut out.dots {
            dot.parent = above(dot.number as usize).and_then(|up| place[up.index()]);
        }
        out
    }
}
