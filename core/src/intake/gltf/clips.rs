//! Animations.

use std::sync::Arc;

use serde_json::Value;

use super::accessor::{Accessors, Got};
use super::doc::Doc;
use crate::intake::Fault;
use crate::model::{Channel, ChannelPath, Clip, Interpolation, NodeId, Reads};

pub(super) fn read(doc: &Doc<'_>, accessors: &mut Accessors<'_>) -> Result<Vec<Clip>, Fault> {
    let nodes = doc.count("nodes");
    let empty: Arc<[f32]> = Arc::from([]);
    let mut clips = Vec::new();
    for (index, value) in doc.list("animations")?.iter().enumerate() {
        let pointer = format!("/animations/{index}");
        let part = |key: &str| -> Result<&[Value], Fault> {
            match value.get(key) {
                Some(Value::Array(list)) => Ok(list),
                None => Ok(&[]),
                Some(_) => Err(doc.invalid(format!("{pointer}/{key}"), "must be a list", "glTF 2.0 §3.11")),
            }
        };
        let samplers = part("samplers")?;
        let mut channels = Vec::new();
        for (at, channel) in part("channels")?.iter().enumerate() {
            let here = format!("{pointer}/channels/{at}");
            let Some(sampler) = doc.index(channel, "sampler", &here, samplers.len(), "sampler")? else {
                return Err(doc.invalid(here, "a channel names its sampler", "glTF 2.0 §3.11"));
            };
            let target = channel.get("target").unwrap_or(&Value::Null);
            let node = doc.index(target, "node", &format!("{here}/target"), nodes, "node")?.map(NodeId::new);
            let path = match target.get("path").and_then(Value::as_str) {
                Some("translation") => ChannelPath::Translation,
                Some("rotation") => ChannelPath::Rotation,
                Some("scale") => ChannelPath::Scale,
                Some("weights") => ChannelPath::Weights,
                Some(_) => ChannelPath::Other,
                None => {
                    return Err(doc.invalid(
                        format!("{here}/target/path"),
                        "a target names its path",
                        "glTF 2.0 §3.11",
                    ));
                }
            };
            let there = format!("{pointer}/samplers/{sampler}");
            let sampler = &samplers[sampler];
            let interpolation = match sampler.get("interpolation").and_then(Value::as_str) {
                None | Some("LINEAR") => Interpolation::Linear,
                Some("STEP") => Interpolation::Step,
                Some("CUBICSPLINE") => Interpolation::CubicSpline,
                Some(_) => {
                    let text = "interpolation is LINEAR, STEP or CUBICSPLINE";
                    return Err(doc.invalid(format!("{there}/interpolation"), text, "glTF 2.0 §3.11"));
                }
            };
            let (Some(input), Some(output)) =
                (accessors.index(sampler, "input", &there)?, accessors.index(sampler, "output", &there)?)
            else {
                return Err(doc.invalid(there, "a sampler names input and output", "glTF 2.0 §3.11"));
            };
            let width = match path {
                ChannelPath::Rotation => Some(4),
                ChannelPath::Translation | ChannelPath::Scale => Some(3),
                ChannelPath::Weights => Some(1),
                ChannelPath::Other => None,
            };
            let mut data = None;
            if let Some(width) = width {
                let times = accessors.scalars(input, 1, Reads::CLIPS)?;
                let values = accessors.scalars(output, width, Reads::CLIPS)?;
                if let (Got::Data(times), Got::Data(values)) = (times, values) {
                    data = Some((times, values));
                }
            }
            let readable = data.is_some();
            let (times, values) = data.unwrap_or_else(|| (empty.clone(), empty.clone()));
            channels.push(Channel { node, path, interpolation, times, values, readable });
        }
        clips.push(Clip { name: doc.name(value, &pointer, 1 << 16)?, channels });
    }
    Ok(clips)
}
