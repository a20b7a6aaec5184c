//! `mutate` lines: the words of a fault.

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
            if slot > 3 {
                return words.fail("a vertex has slots 0 to 3");
            }
            Mutation::JointIndex { vertex, slot, index }
        }
        "drop-bind-matrix" => Mutation::DropBindMatrix,
        "off-scene" => Mutation::OffScene { joint: name(words)? },
        other => return words.fail(format!("there is no fault called {other}")),
    };
    if text.form == Form::Plan && !found.fits_a_plan() {
        return words.fail(format!("a plan has nothing for {kind}"));
    }
    Ok(found)
}
