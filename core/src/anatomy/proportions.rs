//! Segment lengths as shares of stature.

use super::Standing;

/// A length over stature.
#[derive(Debug, Clone, Copy)]
pub struct Proportion {
    /// What is measured, in words.
    pub what: &'static str,
    /// Length over stature.
    pub share: f64,
    /// How the value was come by.
    pub standing: Standing,
}

/// The document behind the table. The report and the figure themselves were not seen: values marked second-hand were met
/// in public documents that quote them.
pub const SOURCE: &str = "Drillis, Contini: Body Segment Parameters, NYU Technical Report 1166.03, 1966, as redrawn in \
     Winter: Biomechanics and Motor Control of Human Movement, fig. 4.1";

const fn row(what: &'static str, share: f64, standing: Standing) -> Proportion {
    Proportion { what, share, standing }
}

/// Shoulder to elbow.
pub const UPPER_ARM: Proportion = row("upper arm", 0.186, Standing::SecondHand);
/// Elbow to wrist.
pub const FOREARM: Proportion = row("forearm", 0.146, Standing::SecondHand);
/// Wrist to fingertip.
pub const HAND: Proportion = row("hand", 0.108, Standing::SecondHand);
/// Hip to knee.
pub const THIGH: Proportion = row("thigh", 0.245, Standing::SecondHand);
/// Knee to ankle.
pub const SHANK: Proportion = row("shank", 0.246, Standing::SecondHand);
/// Ankle above the ground.
pub const ANKLE_HEIGHT: Proportion = row("ankle height", 0.039, Standing::SecondHand);
/// Heel to toe.
pub const FOOT_LENGTH: Proportion = row("foot length", 0.152, Standing::SecondHand);
/// Across the foot.
pub const FOOT_BREADTH: Proportion = row("foot breadth", 0.055, Standing::Memory);
/// Between the tips of the shoulders.
pub const SHOULDER_WIDTH: Proportion = row("shoulder width", 0.259, Standing::SecondHand);
/// Across the hips.
pub const HIP_WIDTH: Proportion = row("hip width", 0.191, Standing::SecondHand);
/// Hip above the ground.
pub const HIP_HEIGHT: Proportion = row("hip height", 0.530, Standing::SecondHand);
/// Knee above the ground.
pub const KNEE_HEIGHT: Proportion = row("knee height", 0.285, Standing::SecondHand);
/// Shoulder above the ground.
pub const SHOULDER_HEIGHT: Proportion = row("shoulder height", 0.818, Standing::SecondHand);
/// Shoulder to hip.
pub const TRUNK: Proportion = row("trunk", 0.288, Standing::SecondHand);

/// All of them.
pub const ALL: [Proportion; 14] = [
    UPPER_ARM,
    FOREARM,
    HAND,
    THIGH,
    SHANK,
    ANKLE_HEIGHT,
    FOOT_LENGTH,
    FOOT_BREADTH,
    SHOULDER_WIDTH,
    HIP_WIDTH,
    HIP_HEIGHT,
    KNEE_HEIGHT,
    SHOULDER_HEIGHT,
    TRUNK,
];

#[cfg(test)]
mod tests {
    use super::*;

    /// A second set, for males: de Leva's adjustment of Zatsiorsky's, as read in a public biomechanics code.
    #[test]
    fn two_tables_agree_on_the_legs() {
        let leva = [(THIGH, 0.2425), (SHANK, 0.2493)];
        for (ours, theirs) in leva {
            assert!((ours.share / theirs - 1.0).abs() < 0.04, "{}", ours.what);
        }
    }

    /// The nominal body of ISO/IEC 19774-1 (H-Anim), as the working group's file has it: hip 0.0961 0.9124 −0.0001,
    /// knee 0.1040 0.4867 0.0308, ankle 0.1101 0.0656 −0.0736, shoulder 0.2029 1.4376 −0.0387, elbow 0.2014 1.1357
    /// −0.0682, wrist 0.1984 0.8663 −0.0583, top of the skull at 1.7504 m. Its arms are 5 to 15 % off the table: the
    /// end points differ.
    #[test]
    fn the_nominal_body_lies_within_the_tolerance() {
        use glam::DVec3;
        let (hip, knee) = (DVec3::new(0.0961, 0.9124, -0.0001), DVec3::new(0.1040, 0.4867, 0.0308));
        let ankle = DVec3::new(0.1101, 0.0656, -0.0736);
        let shoulder = DVec3::new(0.2029, 1.4376, -0.0387);
        let (elbow, wrist) = (DVec3::new(0.2014, 1.1357, -0.0682), DVec3::new(0.1984, 0.8663, -0.0583));
        let measured = [
            (THIGH, hip, knee, 0.04),
            (SHANK, knee, ankle, 0.04),
            (UPPER_ARM, shoulder, elbow, 0.15),
            (FOREARM, elbow, wrist, 0.15),
        ];
        for (table, a, b, within) in measured {
            let share = a.distance(b) / 1.7504;
            assert!((share / table.share - 1.0).abs() < within, "{}: {share}", table.what);
        }
    }
}
