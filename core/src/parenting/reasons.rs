//! Why a parent was chosen, in words with numbers.
//!
//! The measures fall into a few groups. A group's weight is what the chosen edge's score loses when the group's values
//! are those of the runner-up; the heaviest groups that can be said in a sentence are the reasons.

use super::features::{FEATURES, Row};
use super::lexicon::Category;
use super::model::{Ensemble, Expert};
use super::scene::Scene;
use super::second::{MORE, WIDTH as BOTH};

/// What a group of measures is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Topic {
    Near,
    Line,
    Side,
    Kind,
    Run,
    Words,
    Chain,
    Middle,
    Kin,
}

const TOPICS: &[Topic] = &[
    Topic::Near,
    Topic::Line,
    Topic::Side,
    Topic::Kind,
    Topic::Run,
    Topic::Words,
    Topic::Chain,
    Topic::Middle,
    Topic::Kin,
];

/// The group of a feature, by its number.
fn topic(feature: usize) -> Option<Topic> {
    let name = if feature < FEATURES.len() { FEATURES[feature] } else { MORE.get(feature - FEATURES.len())? };
    Some(match name {
        "far" | "far_next_j" | "far_next_p" | "far_edge" | "rank_from_j" | "rank_from_p" | "lune"
        | "sphere" | "detour" | "linked" | "hops" | "path_ratio" | "here_same" | "nearest_p" => Topic::Near,
        "straight_in" | "straight_out" | "grandparent_straight" => Topic::Line,
        "sides" | "sides_geo" | "is_twin" | "lateral_p" | "outgrow" | "rows" => Topic::Side,
        "gap" | "level_count" | "level_rank" | "also_is" | "category_p" | "same_category" | "depth_gain"
        | "depth_p" | "control_p" | "helper_p" | "end_p" | "inserted_p" => Topic::Kind,
        "step_places" | "step_numbers" | "step_last" | "run_length" | "run_near" | "run_straight"
        | "run_outward" | "run_linked" | "run_fan" | "run_place" | "number_same" => Topic::Run,
        "same_stem" | "shared" | "prefix" | "contained" | "stem_p" | "pieces_gain" => Topic::Words,
        "segment" | "segment_rank" | "segment_at" | "to_tip" | "tip_rank" | "last_of_part"
        | "first_of_part" | "part_length_p" | "turn" | "length_ratio" | "kind_p" => Topic::Chain,
        "up_is_p" | "p_above" | "j_above" | "far_gain" | "mean_gain" | "radial" | "side_share" | "rank_p"
        | "degree_p" | "rise" | "ahead" | "height_p" => Topic::Middle,
        "log_twin" | "kin_vote" | "kin_count" | "kin_gap" | "kin_reverse" | "stem_children"
        | "siblings_kind" => Topic::Kin,
        _ => return None,
    })
}

/// The rows of one edge, for both stages.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rows<'a> {
    pub(super) first: &'a Row,
    pub(super) second: Option<&'a [f32]>,
}

/// At most three reasons for "j hangs from p" against the runner-up; lengths are told in millimetres.
pub(super) fn reasons(
    scene: &Scene,
    expert: &Expert,
    p: Option<usize>,
    j: usize,
    chosen: Rows<'_>,
    other: Option<Rows<'_>>,
    metres: f64,
) -> Vec<String> {
    let (ensemble, row): (&Ensemble, &[f32]) = match (&expert.second, chosen.second) {
        (Some(second), Some(row)) => (second, row),
        _ => (&expert.first, chosen.first),
    };
    let against: Option<&[f32]> = other.map(|other| match (&expert.second, other.second) {
        (Some(_), Some(row)) => row,
        _ => &other.first[..],
    });
    let is_root = p.is_none();
    let full = ensemble.score(row, is_root);
    let mut weighed: Vec<(f64, Topic)> = TOPICS
        .iter()
        .map(|wanted| {
            let mut changed: Vec<f32> = row.to_vec();
            for (feature, slot) in changed.iter_mut().enumerate().take(BOTH) {
                if topic(feature) == Some(*wanted) {
                    *slot = against.map_or(f32::NAN, |row| row[feature]);
                }
            }
            (full - ensemble.score(&changed, is_root), *wanted)
        })
        .collect();
    weighed.sort_by(|a, b| b.0.total_cmp(&a.0));
    let kin = chosen.second.and_then(|row| row.get(FEATURES.len()..));
    let mut out: Vec<String> = weighed
        .iter()
        .filter(|(weight, _)| *weight > 0.05)
        .filter_map(|(_, topic)| sentence(scene, *topic, p, j, kin, metres))
        .take(3)
        .collect();
    if out.is_empty() {
        out.extend(
            [Topic::Run, Topic::Kind, Topic::Near]
                .iter()
                .find_map(|t| sentence(scene, *t, p, j, kin, metres)),
        );
    }
    out
}

fn name(scene: &Scene, j: usize) -> String {
    scene.items[j].name.clone().unwrap_or_else(|| "the other joint".to_owned())
}

/// A length in the words of a report.
fn millimetres(length: f64, metres: f64) -> String {
    let mm = length * metres * 1e3;
    if mm >= 99.5 || mm == 0.0 { format!("{mm:.0} mm") } else { format!("{mm:.1} mm") }
}

fn sentence(
    scene: &Scene,
    topic: Topic,
    p: Option<usize>,
    j: usize,
    kin: Option<&[f32]>,
    metres: f64,
) -> Option<String> {
    let layout = &scene.layout;
    let Some(p) = p else {
        return match topic {
            Topic::Kind if scene.category[j] == Category::Root => {
                Some("its name says that it is the root".to_owned())
            }
            Topic::Kind if scene.names.readings[j].control => Some(
                "its name says that it moves other joints, and such joints often have no parent".to_owned(),
            ),
            Topic::Middle => Some(format!(
                "{} of {} joints lie more to the middle of the skeleton",
                layout.rank[j],
                scene.count()
            )),
            _ => None,
        };
    };
    let d = layout.apart(p, j);
    let other = name(scene, p);
    match topic {
        Topic::Near => {
            let nearer = layout.nearer(j, d);
            let length = millimetres(d, metres);
            Some(match nearer {
                0 if layout.same(p, j) => format!("it lies at the same place as {other}"),
                0 => format!("{other} is the nearest joint ({length} away)"),
                1 => format!("only one joint is nearer than {other} ({length} away)"),
                n => format!("{other} is {length} away, {n} joints are nearer"),
            })
        }
        Topic::Line => {
            let way = (layout.at[j] - layout.at[p]).normalize_or_zero();
            let best = layout.near[p]
                .iter()
                .take(7)
                .filter(|(length, k)| *k != j && *length > layout.size * 1e-4)
                .map(|(_, k)| (layout.at[p] - layout.at[*k]).normalize_or_zero().dot(way))
                .fold(f64::NAN, f64::max);
            let degrees = best.clamp(-1.0, 1.0).acos().to_degrees();
            (degrees < 40.0)
                .then(|| format!("the line through {other} goes on to it with a bend of {degrees:.0}°"))
        }
        Topic::Side => {
            let (a, b) = (scene.side[p], scene.side[j]);
            match (a, b) {
                (Some(1), Some(1)) => Some(format!("both it and {other} are on the left")),
                (Some(-1), Some(-1)) => Some(format!("both it and {other} are on the right")),
                (Some(0) | None, Some(1 | -1)) => {
                    Some(format!("{other} belongs to the middle, where a side begins"))
                }
                _ => {
                    let (a, b) = (layout.lateral(p), layout.lateral(j));
                    (a * b > 0.0 && a.abs().min(b.abs()) > 0.012)
                        .then(|| format!("both it and {other} lie on one side of the mirror plane"))
                }
            }
        }
        Topic::Kind => {
            let place = scene.level(p, j)?;
            let place = scene.levels[j].iter().position(|(level, _)| *level == place)?;
            let (what, whose) = (scene.category[p].word(), scene.category[j].word());
            Some(match (place, scene.levels[j][place].1) {
                (0, 1) => {
                    format!("its name reads as {whose}, which hangs from {what}, and {other} is the only one")
                }
                (0, n) => {
                    format!("its name reads as {whose}, which hangs from {what}; {other} is one of {n}")
                }
                (n, _) => {
                    format!("its name reads as {whose} and that of {other} as {what} ({n} kinds come nearer)")
                }
            })
        }
        Topic::Run => {
            let step = scene.step(p, j)?;
            match step.numbers {
                1 => Some(format!("its name continues {other}")),
                n if step.places == 1 => {
                    Some(format!("its name is the next after {other} (numbers differ by {n})"))
                }
                -1 => Some(format!("its name comes right before {other}, and the row runs towards it")),
                _ => None,
            }
        }
        Topic::Words => {
            let share = scene.shared(p, j);
            (share > 0.2).then(|| format!("its name shares {:.0} % of its words with {other}", share * 100.0))
        }
        Topic::Chain => {
            let tip = scene.items[p].tip?;
            let to_tip = tip.distance(layout.at[j]);
            let (to_segment, at) = scene.to_segment(p, j);
            Some(if to_tip <= to_segment * 1.05 {
                format!("its origin lies {} from the tip of {other}", millimetres(to_tip, metres))
            } else {
                format!(
                    "its origin lies {} from the segment of {other}, {:.0} % along it",
                    millimetres(to_segment, metres),
                    at * 100.0
                )
            })
        }
        Topic::Middle => {
            let gain = layout.tree.mean[j] - layout.tree.mean[p];
            (gain > 0.0).then(|| {
                format!("{other} is more central: {} less far from all joints", millimetres(gain, metres))
            })
        }
        Topic::Kin => {
            let at = |wanted: &str| {
                let place = MORE.iter().position(|name| *name == wanted)?;
                kin?.get(place).copied().filter(|value| !value.is_nan())
            };
            let (vote, number) = (at("kin_vote")?, at("kin_count")?);
            (vote > 0.3).then(|| {
                format!(
                    "{number:.0} other pairs of this kind hang alike with a mean probability of {:.0} %",
                    vote * 100.0
                )
            })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_topic_has_measures_and_every_name_is_known() {
        let all: Vec<Option<Topic>> = (0..BOTH).map(topic).collect();
        for wanted in TOPICS {
            assert!(all.contains(&Some(*wanted)), "{wanted:?}");
        }
        assert!(all.iter().filter(|t| t.is_some()).count() > 70);
    }
}
