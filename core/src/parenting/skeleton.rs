//! What the suggester looks at: joints with a place and, where known, a name, a tip, a part, a side.

use glam::DVec3;

use crate::model::{PartKind, Side};

/// Whether a joint's parent is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decided {
    /// To be suggested.
    Open,
    /// It is a root on purpose.
    Root,
    /// It hangs from this joint.
    Under(usize),
}

/// A joint.
#[derive(Debug, Clone)]
pub struct Item {
    /// The name as stored.
    pub name: Option<String>,
    /// The origin, any unit, +Y up.
    pub at: DVec3,
    /// The tip, where known.
    pub tip: Option<DVec3>,
    /// The part, as a number, and the place in it.
    pub part: Option<(usize, usize)>,
    /// The part's kind, where declared.
    pub kind: Option<PartKind>,
    /// The side, where declared.
    pub side: Option<Side>,
    /// Declared to move other joints only.
    pub control: bool,
    /// The parent.
    pub decided: Decided,
}

impl Item {
    /// A joint of which only name and place are known.
    pub fn new(name: Option<&str>, at: DVec3) -> Self {
        Self {
            name: name.map(str::to_owned),
            at,
            tip: None,
            part: None,
            kind: None,
            side: None,
            control: false,
            decided: Decided::Open,
        }
    }
}

/// Joints in an order that does not depend on the document's: so no tie can be broken by it.
pub(super) fn canonical(items: &[Item]) -> Vec<usize> {
    let key = |item: &Item| {
        let bits = |v: f64| {
            // The usual trick: floats in the order of their numbers.
            let bits = (v + 0.0).to_bits() as i64;
            bits ^ ((((bits >> 63) as u64) >> 1) as i64)
        };
        (item.name.clone(), [bits(item.at.x), bits(item.at.y), bits(item.at.z)], item.part)
    };
    let mut order: Vec<usize> = (0..items.len()).collect();
    order.sort_by_cached_key(|index| key(&items[*index]));
    order
}
