//! Ranges of motion of human joints, degrees from the anatomical position.

use super::Standing;

/// One movement of a joint and its opposite.
#[derive(Debug, Clone, Copy)]
pub struct Motion {
    /// The joint.
    pub joint: &'static str,
    /// The movement counted as positive, and its opposite.
    pub movement: [&'static str; 2],
    /// How far each goes, degrees; the larger of the figures met, as a pose that someone took.
    pub most: [f64; 2],
    /// The source.
    pub source: &'static str,
    /// How the values were come by.
    pub standing: Standing,
}

const NORKIN: &str = "Norkin, White: Measurement of Joint Motion, table A.1 (AAOS and AMA columns)";
const ISRN: &str = "ISRN 2012, article 751768, table 8 (adult maxima)";
const KURZ: &str = "Kurz, table of ranges";
const MERCK: &str = "Merck Manual: Normal values for range of motion of joints";
const TEXTBOOK: &str = "AccessPhysiotherapy, book 3363, appendix 1: Range of motion for diarthrodial joints";
const SOUCIE: &str = "Soucie et al., Haemophilia 17:500–507, 2011 (CDC joint range of motion study), age 2–8";
const RATING: &str = "38 CFR 4.71, plates";

const fn row(
    joint: &'static str,
    movement: [&'static str; 2],
    most: [f64; 2],
    source: &'static str,
    standing: Standing,
) -> Motion {
    Motion { joint, movement, most, source, standing }
}

/// The table. Children exceed the textbooks at the knee, hence the second source there.
pub const HUMAN: &[Motion] = &[
    row("neck", ["flexion", "extension"], [45.0, 45.0], ISRN, Standing::Read),
    row("neck", ["lateral bend", "lateral bend"], [45.0, 45.0], ISRN, Standing::Read),
    row("neck", ["rotation", "rotation"], [70.0, 70.0], KURZ, Standing::SecondHand),
    row("trunk", ["flexion", "extension"], [75.0, 30.0], KURZ, Standing::SecondHand),
    row("trunk", ["lateral bend", "lateral bend"], [35.0, 35.0], ISRN, Standing::Read),
    row("trunk", ["rotation", "rotation"], [45.0, 45.0], RATING, Standing::Memory),
    row("shoulder", ["flexion", "extension"], [180.0, 60.0], NORKIN, Standing::Read),
    row("shoulder", ["abduction", "adduction"], [180.0, 0.0], NORKIN, Standing::Read),
    row("shoulder", ["medial rotation", "lateral rotation"], [70.0, 90.0], NORKIN, Standing::Read),
    row(
        "shoulder",
        ["horizontal adduction", "horizontal abduction"],
        [135.0, 45.0],
        TEXTBOOK,
        Standing::Read,
    ),
    row("clavicle", ["elevation", "depression"], [45.0, 5.0], TEXTBOOK, Standing::Read),
    row("clavicle", ["protraction", "retraction"], [15.0, 15.0], TEXTBOOK, Standing::Read),
    row("elbow", ["flexion", "extension"], [150.0, 0.0], NORKIN, Standing::Read),
    row("forearm", ["pronation", "supination"], [80.0, 80.0], NORKIN, Standing::Read),
    row("wrist", ["flexion", "extension"], [80.0, 70.0], NORKIN, Standing::Read),
    row("wrist", ["radial deviation", "ulnar deviation"], [20.0, 30.0], NORKIN, Standing::Read),
    row("finger, first joint", ["flexion", "extension"], [90.0, 45.0], MERCK, Standing::SecondHand),
    row("finger, second joint", ["flexion", "extension"], [120.0, 0.0], MERCK, Standing::SecondHand),
    row("finger, third joint", ["flexion", "extension"], [90.0, 0.0], MERCK, Standing::SecondHand),
    row("finger, first joint", ["spread", "close"], [25.0, 0.0], MERCK, Standing::SecondHand),
    row("thumb, first joint", ["flexion", "extension"], [45.0, 0.0], TEXTBOOK, Standing::Read),
    row("thumb, first joint", ["abduction", "adduction"], [70.0, 0.0], TEXTBOOK, Standing::Read),
    row("thumb, second joint", ["flexion", "extension"], [70.0, 0.0], MERCK, Standing::SecondHand),
    row("thumb, third joint", ["flexion", "extension"], [90.0, 0.0], MERCK, Standing::SecondHand),
    row("hip", ["flexion", "extension"], [125.0, 30.0], MERCK, Standing::SecondHand),
    row("hip", ["abduction", "adduction"], [45.0, 30.0], MERCK, Standing::SecondHand),
    row("hip", ["medial rotation", "lateral rotation"], [45.0, 45.0], MERCK, Standing::SecondHand),
    row("knee", ["flexion", "extension"], [152.6, 5.4], SOUCIE, Standing::Read),
    row("ankle", ["dorsiflexion", "plantar flexion"], [20.0, 50.0], ISRN, Standing::Read),
    row("foot", ["inversion", "eversion"], [35.0, 25.0], MERCK, Standing::SecondHand),
    row("toe, first joint", ["extension", "flexion"], [80.0, 45.0], ISRN, Standing::Read),
];

#[cfg(test)]
mod tests {
    use super::HUMAN;

    #[test]
    fn every_row_is_a_range_that_a_joint_can_have() {
        for row in HUMAN {
            assert!(
                row.most.iter().all(|most| (0.0..=180.0).contains(most)),
                "{} {:?}",
                row.joint,
                row.movement
            );
            assert!(row.most[0] > 0.0 && !row.source.is_empty());
        }
        let twice = |a: &super::Motion| {
            HUMAN.iter().filter(|b| a.joint == b.joint && a.movement == b.movement).count()
        };
        assert!(HUMAN.iter().all(|row| twice(row) == 1), "each movement of a joint has one row");
    }
}
