//! The joint tree with loops cut, so that every walk ends.

use crate::model::{JointId, Parent, Rig};

/// Parents, children and depths; a loop hangs from nothing at the joint whose name sorts first, wherever the
/// document lists it.
#[derive(Debug)]
pub struct Tree {
    /// The parent, loops cut.
    pub parent: Vec<Option<JointId>>,
    /// Children in document order.
    pub children: Vec<Vec<JointId>>,
    /// Steps from the root.
    pub depth: Vec<u32>,
    /// Joints with parents before children.
    pub order: Vec<JointId>,
    /// Joints in the subtree, the joint itself included.
    pub subtree: Vec<u32>,
    /// The loops, each from the joint whose name sorts first, following parents.
    pub loops: Vec<Vec<JointId>>,
}

impl Tree {
    pub(super) fn new(rig: &Rig) -> Self {
        let count = rig.joints.len();
        let mut parent: Vec<Option<JointId>> = rig
            .joints
            .iter()
            .map(|joint| if let Parent::Joint(parent) = joint.parent { Some(parent) } else { None })
            .collect();
        let mut loops = find_loops(&parent);
        for ring in &mut loops {
            let name = |joint: &JointId| &rig.joints[joint.index()].name;
            let first = ring.iter().enumerate().min_by_key(|(_, j)| (name(j), **j)).map_or(0, |(at, _)| at);
            ring.rotate_left(first);
            parent[ring[0].index()] = None;
        }
        let mut children = vec![Vec::new(); count];
        for (index, up) in parent.iter().enumerate() {
            if let Some(up) = up {
                children[up.index()].push(JointId::new(index));
            }
        }
        let mut order: Vec<JointId> =
            (0..count).filter(|index| parent[*index].is_none()).map(JointId::new).collect();
        let mut depth = vec![0; count];
        let mut at = 0;
        while at < order.len() {
            let joint = order[at];
            for child in &children[joint.index()] {
                depth[child.index()] = depth[joint.index()] + 1;
                order.push(*child);
            }
            at += 1;
        }
        let mut subtree = vec![1; count];
        for joint in order.iter().rev() {
            if let Some(up) = parent[joint.index()] {
                subtree[up.index()] += subtree[joint.index()];
            }
        }
        Self { parent, children, depth, order, subtree, loops }
    }

    /// The ancestors of a joint, nearest first.
    pub fn ancestors(&self, joint: JointId) -> impl Iterator<Item = JointId> + '_ {
        std::iter::successors(self.parent[joint.index()], |up| self.parent[up.index()])
    }

    /// The roots.
    pub fn roots(&self) -> impl Iterator<Item = JointId> + '_ {
        self.order.iter().copied().take_while(|joint| self.parent[joint.index()].is_none())
    }
}

/// Loops of a functional graph, each from its lowest joint.
fn find_loops(parent: &[Option<JointId>]) -> Vec<Vec<JointId>> {
    // 0: not seen, 1: on a finished path, otherwise 2 + the walk that saw it.
    let mut seen = vec![0_u32; parent.len()];
    let mut loops = Vec::new();
    for start in 0..parent.len() {
        let mark = start as u32 + 2;
        let mut path = Vec::new();
        let mut at = Some(JointId::new(start));
        while let Some(joint) = at
            && seen[joint.index()] == 0
        {
            seen[joint.index()] = mark;
            path.push(joint);
            at = parent[joint.index()];
        }
        if let Some(joint) = at
            && seen[joint.index()] == mark
        {
            let from = path.iter().position(|p| *p == joint).unwrap_or(0);
            let mut ring = path[from..].to_vec();
            let first = ring.iter().enumerate().min_by_key(|(_, j)| **j).map_or(0, |(at, _)| at);
            ring.rotate_left(first);
            loops.push(ring);
        }
        for joint in path {
            seen[joint.index()] = 1;
        }
    }
    loops
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loops_are_found_once_and_tails_are_not_part_of_them() {
        let up = |v: &[Option<u32>]| v.iter().map(|p| p.map(JointId)).collect::<Vec<_>>();
        let loops = find_loops(&up(&[Some(1), Some(2), Some(1), Some(3), None]));
        assert_eq!(loops, vec![vec![JointId(1), JointId(2)], vec![JointId(3)]]);
    }
}
