//! `mutate` lines: the words of a fault.

use std::ops::Range;

use glam::DVec3;

use super::mutation::Mutation;
use super::notation::NotationError;
use super::parse::{Form, Text, Words};

/// Reads the words after `mutate`.
pub(super) fn fault(words: &mut Words<'_>, text: &Text) -> Result<Mutation, NotationError> {
    let kind = words.word("a fault")?;
    let name = |words: &mut Words<'_>| words.joint(text).map(|joint| text.joints[joint].name.clone());
    let found = match kind {
        "twist" => {
            let axis = match text.axes.as_ref().map_or("+y", |(long, _)| long.as_str()) {
                "+x" | "-x" => DVec3::X,
                "+z" | "-z" => DVec3::Z,
                _ => DVec3::Y,
            };
            Mutation::Twist { joint: name(words)?, axis, degrees: words.number()? }
        }
        "move" => {
            // Texts are in metres, whatever units the plan is written in.
            let units = if text.form == Form::Plan { text.units } else { 1.0 };
            Mutation::Move { joint: name(words)?, by: words.point()? / units }
        }
        "rename" => Mutation::Rename { joint: name(words)?, name: words.word("a name")?.to_owned() },
        "swap-names" => Mutation::SwapNames { one: name(words)?, other: name(words)? },
        "quaternion" => Mutation::Quaternion { joint: name(words)?, factor: words.number()? },
        "parent" => {
            let joint = name(words)?;
            let parent = Some(words.word("a parent")?.to_owned()).filter(|parent| parent != "none");
            Mutation::Parent { joint, parent }
        }
        "lengthen" => Mutation::Lengthen { joint: name(words)?, factor: words.number()? },
        "pose" => Mutation::Pose { joint: name(words)?, turn: words.turn()? },
        "scale" => Mutation::Scale { joint: name(words)?, by: words.point()? },
        "stretch" => {
            let (joint, by) = (name(words)?, words.point()?);
            if by.to_array().contains(&0.0) {
                return words.fail("a bind matrix scaled by nothing has no inverse");
            }
            Mutation::Stretch { joint, by }
        }
        "unweight" => Mutation::Unweight(0..words.parsed("count")?),
        "nan-weights" => Mutation::NanWeights(0..words.parsed("count")?),
        "scale-weights" => Mutation::ScaleWeights(0..words.parsed("count")?, words.number()?),
        "joint-index" => {
            let (vertex, index) = (words.parsed("vertex")?, words.parsed("index")?);
            let slot: usize = if words.words.peek().is_some() { words.parsed("slot")? } else { 0 };
            if slot > 15 {
                return words.fail("a vertex has slots 0 to 15");
            }
            Mutation::JointIndex { vertex, slot, index }
        }
        "key-factor" => Mutation::KeyFactor {
            clip: words.word("a clip")?.to_owned(),
            key: words.parsed("key")?,
            factor: words.number()?,
        },
        "key-time" => Mutation::KeyTime {
            clip: words.word("a clip")?.to_owned(),
            key: words.parsed("key")?,
            seconds: words.parsed("time")?,
        },
        "drop-bind-matrix" => Mutation::DropBindMatrix,
        "off-scene" => Mutation::OffScene { joint: name(words)? },
        "row" => {
            let vertices = range(words)?;
            let mut row = Vec::new();
            while words.words.peek().is_some() {
                row.push((name(words)?, words.number()? as f32));
            }
            Mutation::Row { vertices, row }
        }
        "blend" => {
            let vertices = range(words)?;
            Mutation::Blend { vertices, joint: name(words)?, weight: words.number()? as f32 }
        }
        "position" => {
            let vertex = words.parsed("vertex")?;
            Mutation::Position { vertex, to: words.point()?.as_vec3().to_array() }
        }
        "triangle" => {
            Mutation::Triangle([words.parsed("vertex")?, words.parsed("vertex")?, words.parsed("vertex")?])
        }
        "box" => {
            let (at, half) = (words.point()?.as_vec3().to_array(), words.number()? as f32);
            Mutation::Box { at, half, joints: [name(words)?, name(words)?] }
        }
        "leave-out" => Mutation::LeaveOut(words.word("an attribute")?.to_owned()),
        "skeleton" => Mutation::Skeleton { node: words.word("a node")?.to_owned() },
        "rebind" => {
            let joint = name(words)?;
            let mut fault = Mutation::Rebind { joint, by: DVec3::ZERO, scale: DVec3::ONE, corner: 1.0 };
            if let Mutation::Rebind { by, scale, corner, .. } = &mut fault {
                match words.word("move, scale or corner")? {
                    "move" => *by = words.point()?,
                    "scale" => *scale = words.point()?,
                    "corner" => *corner = words.number()? as f32,
                    other => return words.fail(format!("{other} is neither move, scale nor corner")),
                }
            }
            fault
        }
        "place-mesh" => Mutation::PlaceMesh(words.point()?),
        other => return words.fail(format!("there is no fault called {other}")),
    };
    if text.form == Form::Plan && text.bodies.is_empty() && !found.fits_a_plan() {
        return words.fail(format!("a plan has nothing for {kind}"));
    }
    Ok(found)
}

/// First vertex and count.
fn range(words: &mut Words<'_>) -> Result<Range<usize>, NotationError> {
    let (first, count): (usize, usize) = (words.parsed("vertex")?, words.parsed("count")?);
    Ok(first..first.saturating_add(count))
}
