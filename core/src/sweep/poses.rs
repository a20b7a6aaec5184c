//! The poses of one joint: two swings and a twist, each both ways.

use glam::{DMat3, DVec3};

use crate::facts::{Facts, TipKind};
use crate::model::JointId;

/// Degrees at which most measures are judged.
pub const ANGLE: f64 = 45.0;
/// Degrees at which tears are judged.
pub const TEAR_ANGLE: f64 = 90.0;

/// Smaller turns at the end of a range are none, degrees.
const LEAST_TURN: f64 = 1.0;

/// How a target blends the motions of joints.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Blend {
    /// Sums of weighted matrices, as glTF 2.0 §3.7.3 says.
    #[default]
    Linear,
    /// Dual quaternions (Kavan, Collins, Žára, O'Sullivan, ACM TOG 27(4):105, 2008): sums of unit motions, brought back to
    /// unit length.
    DualQuaternion,
}

impl Blend {
    /// How far a point goes that follows a share of a turn, as a share of how far it would go with all of it.
    pub(super) fn follows(self, share: f64, degrees: f64) -> f64 {
        match self {
            Self::Linear => share,
            Self::DualQuaternion => {
                let (sine, cosine) = (degrees.to_radians() / 2.0).sin_cos();
                let (along, rest) = (share * sine, 1.0 - share + share * cosine);
                let length = along.hypot(rest);
                if length > 0.0 && sine != 0.0 { along / length / sine } else { share }
            }
        }
    }
}

/// What a joint is turned about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// Its own length.
    Twist,
    /// An axis across it.
    Swing,
}

/// An axis through a joint's origin.
#[derive(Debug, Clone, Copy)]
pub struct Axis {
    /// Unit length, world at bind.
    pub direction: DVec3,
    /// Along the joint or across it.
    pub turn: Turn,
}

/// A joint turned about an axis through its origin, everything else at bind.
#[derive(Debug, Clone, Copy)]
pub struct Pose {
    /// The axis.
    pub axis: Axis,
    /// Signed, by the right hand.
    pub degrees: f64,
}

impl Pose {
    /// The rotation.
    pub fn rotation(&self) -> DMat3 {
        DMat3::from_axis_angle(self.axis.direction, self.degrees.to_radians())
    }
}

/// A pose made ready for many points.
#[derive(Debug, Clone, Copy)]
pub(super) struct Motion {
    blend: Blend,
    axis: DVec3,
    turn: DMat3,
    /// Sine and cosine of half the turn.
    half: (f64, f64),
}

impl Motion {
    pub(super) fn new(pose: &Pose, blend: Blend) -> Self {
        let half = (pose.degrees.to_radians() / 2.0).sin_cos();
        Self { blend, axis: pose.axis.direction, turn: pose.rotation(), half }
    }

    /// Where a point at `arm` from the origin goes, of which `share` follows the turn.
    ///
    /// A blend of no motion and a turn about one axis is again a turn about that axis in dual quaternions: of
    /// (1 − a) + a (cos θ/2, sin θ/2 · axis), at unit length.
    pub(super) fn place(&self, arm: DVec3, share: f64) -> DVec3 {
        match self.blend {
            Blend::Linear => arm + (self.turn * arm - arm) * share,
            Blend::DualQuaternion => {
                let (sine, cosine) = self.part(share);
                let vector = self.axis * sine;
                let across = vector.cross(arm) * 2.0;
                arm + across * cosine + vector.cross(across)
            }
        }
    }

    /// Sine and cosine of half the turn of a point that follows a share of it.
    fn part(&self, share: f64) -> (f64, f64) {
        let (sine, cosine) = (share * self.half.0, 1.0 - share + share * self.half.1);
        let length = sine.hypot(cosine);
        if length > 0.0 { (sine / length, cosine / length) } else { (self.half.0, self.half.1) }
    }
}

/// A joint's three axes: the twist first. Without a known tip the long axis leads, without one the joint's own +Y.
pub(crate) fn axes(facts: &Facts<'_>, joint: JointId) -> [Axis; 3] {
    let frame = &facts.bind().joints[joint.index()];
    let tip = facts.tips()[joint.index()];
    let known = (tip.kind != TipKind::None).then(|| (tip.point - frame.origin).try_normalize()).flatten();
    let along = known
        .or_else(|| facts.long_axis_of(joint).and_then(|axis| (frame.basis * axis.vector()).try_normalize()))
        .or_else(|| frame.basis.y_axis.try_normalize())
        .filter(|axis| axis.is_finite())
        .unwrap_or(DVec3::Y);
    let own = [frame.basis.x_axis, frame.basis.y_axis, frame.basis.z_axis];
    let across = own
        .into_iter()
        .filter(|axis| axis.is_finite())
        .min_by(|a, b| a.dot(along).abs().total_cmp(&b.dot(along).abs()))
        .and_then(|axis| (axis - along * axis.dot(along)).try_normalize())
        .unwrap_or_else(|| along.any_orthonormal_vector());
    [
        Axis { direction: along, turn: Turn::Twist },
        Axis { direction: across, turn: Turn::Swing },
        Axis { direction: along.cross(across), turn: Turn::Swing },
    ]
}

/// The six poses at `degrees`.
pub(super) fn both_ways(axes: &[Axis; 3], degrees: f64) -> [Pose; 6] {
    let [a, b, c] = *axes;
    [(a, degrees), (a, -degrees), (b, degrees), (b, -degrees), (c, degrees), (c, -degrees)]
        .map(|(axis, degrees)| Pose { axis, degrees })
}

/// The poses at the ends of a joint's range and half-way to them; none for what it does not turn about.
pub(super) fn of_range(range: &super::ranges::JointRange) -> Vec<Pose> {
    let mut list = Vec::new();
    for span in &range.spans {
        for end in span.degrees {
            for degrees in [end, end / 2.0] {
                if degrees.abs() >= LEAST_TURN {
                    list.push(Pose { axis: span.axis, degrees });
                }
            }
        }
    }
    list
}

/// How far a point that moves wholly with the joint goes when the joint turns by `degrees` about the worst of its
/// axes, metres, and about which: 2 sin(θ/2) times the distance to the axis.
pub(super) fn lift(axes: &[Axis; 3], origin: DVec3, place: DVec3, degrees: f64) -> (f64, Axis) {
    let arm = place - origin;
    let off = |axis: &Axis| (arm - axis.direction * arm.dot(axis.direction)).length_squared();
    let worst = if off(&axes[1]) > off(&axes[0]) { axes[1] } else { axes[0] };
    let worst = if off(&axes[2]) > off(&worst) { axes[2] } else { worst };
    (2.0 * (degrees.to_radians() / 2.0).sin().abs() * off(&worst).sqrt(), worst)
}
