//! Views: which axes of the rig lie to the right and up on the paper.
//!
//! Third-angle projection (ISO 5456-2): the side view stands on the side that it is seen from, the top view above. The
//! side is the character's left, so that its nose points at the front view.

use glam::DVec3;
use serde::{Deserialize, Serialize};

/// Where a figure looks from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "lowercase")]
pub enum View {
    /// From +Z: the character faces the reader, its left is at the right.
    Front,
    /// From +X, the character's left: it faces the left edge.
    Side,
    /// From +Y.
    Top,
}

impl View {
    /// All of them, in the order of the figure.
    pub const ALL: [Self; 3] = [Self::Front, Self::Side, Self::Top];

    /// The word for it, as a query or an option says it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Side => "side",
            Self::Top => "top",
        }
    }

    /// The view of a word.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|view| view.word() == word)
    }

    pub(super) fn title(self) -> &'static str {
        match self {
            Self::Front => "Front",
            Self::Side => "Left side",
            Self::Top => "Top",
        }
    }

    /// Its axes; a top view that hangs above the side view is turned like it.
    pub(super) fn axes(self, turned: bool) -> Axes {
        let axis = |index, negative| Axis { index, negative };
        match (self, turned) {
            (Self::Front, _) => Axes { right: axis(0, false), up: axis(1, false) },
            (Self::Side, _) => Axes { right: axis(2, true), up: axis(1, false) },
            (Self::Top, false) => Axes { right: axis(0, false), up: axis(2, true) },
            (Self::Top, true) => Axes { right: axis(2, true), up: axis(0, true) },
        }
    }
}

/// One of the six directions along an axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Axis {
    /// 0 for X, 1 for Y, 2 for Z.
    pub(super) index: usize,
    pub(super) negative: bool,
}

impl Axis {
    pub(super) fn of(self, point: DVec3) -> f64 {
        let along = point.to_array()[self.index];
        if self.negative { -along } else { along }
    }

    pub(super) fn name(self) -> &'static str {
        match (self.index, self.negative) {
            (0, false) => "+X",
            (0, true) => "−X",
            (1, false) => "+Y",
            (1, true) => "−Y",
            (_, false) => "+Z",
            (_, true) => "−Z",
        }
    }

    /// The same in ASCII, for programs.
    pub(super) fn key(self) -> &'static str {
        match (self.index, self.negative) {
            (0, false) => "+x",
            (0, true) => "-x",
            (1, false) => "+y",
            (1, true) => "-y",
            (_, false) => "+z",
            (_, true) => "-z",
        }
    }
}

/// What lies to the right and up on the paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Axes {
    pub(super) right: Axis,
    pub(super) up: Axis,
}

impl Axes {
    /// A point of the rig on the paper, metres, y upwards.
    pub(super) fn of(self, point: DVec3) -> [f64; 2] {
        [self.right.of(point), self.up.of(point)]
    }

    /// The lower left and the upper right corner of a box.
    pub(super) fn frame(self, low: DVec3, high: DVec3) -> ([f64; 2], [f64; 2]) {
        let (a, b) = (self.of(low), self.of(high));
        ([a[0].min(b[0]), a[1].min(b[1])], [a[0].max(b[0]), a[1].max(b[1])])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_view_is_right_handed_towards_the_reader() {
        // Right × up points at the reader; the reader of the front view stands at +Z, of the side at +X, of the top at +Y.
        let unit = |axis: Axis| {
            let mut v = [0.0; 3];
            v[axis.index] = if axis.negative { -1.0 } else { 1.0 };
            DVec3::from_array(v)
        };
        for (view, turned, from) in [
            (View::Front, false, DVec3::Z),
            (View::Side, false, DVec3::X),
            (View::Top, false, DVec3::Y),
            (View::Top, true, DVec3::Y),
        ] {
            let axes = view.axes(turned);
            assert_eq!(unit(axes.right).cross(unit(axes.up)), from, "{view:?}");
        }
    }
}
