//! The joints in an order in which every subtree is one run, so that a joint's field is one pass over that run.
//!
//! Limb ends that hang elsewhere (D17) count as children of their limb: a foot that hangs from a control root would
//! otherwise tear off every time the shin turns.

use crate::facts::Facts;
use crate::model::JointId;

/// Steps up that are walked to prove that a reattached end makes no loop; deeper ends stay where they hang.
const DEEPEST: usize = 1_024;

/// Subtrees as runs.
#[derive(Debug)]
pub(super) struct Tour {
    /// Joints, each before those below it.
    pub(super) order: Vec<JointId>,
    /// The parent that a pose follows.
    pub(super) parent: Vec<Option<JointId>>,
    /// By joint: children that deform or have skin below them.
    pub(super) branches: Vec<u32>,
    start: Vec<u32>,
    end: Vec<u32>,
}

impl Tour {
    pub(super) fn new(facts: &Facts<'_>) -> Self {
        let parent = reattached(&facts.tree().parent, &facts.reach().attached);
        let count = parent.len();
        let mut children = vec![Vec::new(); count];
        let mut roots = Vec::new();
        for (index, up) in parent.iter().enumerate() {
            match up {
                Some(up) => children[up.index()].push(JointId::new(index)),
                None => roots.push(JointId::new(index)),
            }
        }
        let mut this = Self {
            order: Vec::with_capacity(count),
            parent,
            branches: vec![0; count],
            start: vec![0; count],
            end: vec![0; count],
        };
        let mut stack: Vec<JointId> = roots.into_iter().rev().collect();
        while let Some(joint) = stack.pop() {
            this.start[joint.index()] = this.order.len() as u32;
            this.order.push(joint);
            stack.extend(children[joint.index()].iter().rev());
        }
        let mut skinned: Vec<bool> = (0..count).map(|joint| facts.deforms(JointId::new(joint))).collect();
        for at in (0..this.order.len()).rev() {
            let joint = this.order[at];
            let own = this.start[joint.index()] + 1;
            this.end[joint.index()] = this.end[joint.index()].max(own);
            if let Some(up) = this.parent[joint.index()] {
                this.end[up.index()] = this.end[up.index()].max(this.end[joint.index()]);
                if skinned[joint.index()] {
                    skinned[up.index()] = true;
                    this.branches[up.index()] += 1;
                }
            }
        }
        this
    }

    /// Where a joint stands in the order.
    pub(super) fn place(&self, joint: JointId) -> usize {
        self.start[joint.index()] as usize
    }

    /// The places of a joint and everything below it.
    pub(super) fn below(&self, joint: JointId) -> std::ops::Range<usize> {
        self.start[joint.index()] as usize..self.end[joint.index()] as usize
    }

    /// Whether `low` is `high` or hangs below it.
    pub(super) fn hangs(&self, low: JointId, high: JointId) -> bool {
        self.below(high).contains(&self.place(low))
    }
}

/// Parents with limb ends reattached, as far as that makes no loop.
fn reattached(parent: &[Option<JointId>], attached: &[Option<JointId>]) -> Vec<Option<JointId>> {
    let mut parent = parent.to_vec();
    for (end, limb) in attached.iter().enumerate() {
        let Some(limb) = *limb else { continue };
        let mut at = Some(limb);
        let reaches_a_root = (0..DEEPEST).any(|_| {
            if at == Some(JointId::new(end)) {
                return false;
            }
            at = at.and_then(|joint| parent[joint.index()]);
            at.is_none()
        });
        if reaches_a_root {
            parent[end] = Some(limb);
        }
    }
    parent
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ends_that_would_hang_from_themselves_stay() {
        let up = |list: &[Option<u32>]| list.iter().map(|one| one.map(JointId)).collect::<Vec<_>>();
        // Two limbs under roots 0 and 2, each of which claims the other's root.
        let parent = up(&[None, Some(0), None, Some(2)]);
        let attached = up(&[Some(3), None, Some(1), None]);
        assert_eq!(reattached(&parent, &attached), up(&[Some(3), Some(0), None, Some(2)]));
        let alone = up(&[None, None, None, Some(2)]);
        assert_eq!(
            reattached(&alone, &up(&[None, Some(3), None, None])),
            up(&[None, Some(3), None, Some(2)])
        );
    }
}
