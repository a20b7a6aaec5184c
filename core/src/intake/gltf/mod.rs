//! glTF 2.0 into a rig: lenient about what does not matter, exact about what does.

mod accessor;
mod buffers;
mod clips;
mod compressed;
mod doc;
mod meshes;
mod nodes;
mod skins;

use serde_json::Value;

use super::{Fault, Limits, Upload};
use crate::model::{Frame, NodeId, Rig, Source};
use accessor::Accessors;
use doc::Doc;

/// What the reading of one glTF shares.
pub(super) struct Reading<'a> {
    pub(super) rig: Rig,
    pub(super) approximations: Vec<(String, u64)>,
    pub(super) extras: Option<&'a Value>,
}

/// Builds the rig of a parsed glTF document.
pub(super) fn read<'a>(
    file: &'a str,
    root: &'a Value,
    bin: Option<&'a [u8]>,
    files: &'a [Upload<'a>],
    limits: &'a Limits,
) -> Result<Reading<'a>, Fault> {
    let doc = Doc { file, root };
    doc.check_version()?;
    let buffers = buffers::Buffers::new(&doc, bin, files, limits)?;
    let mut accessors = Accessors::new(&doc, buffers, limits)?;
    let mut rig = Rig {
        source: Source::Gltf,
        asset: None,
        nodes: nodes::read(&doc, limits)?,
        joints: Vec::new(),
        parts: Vec::new(),
        pieces: Vec::new(),
        feet: Vec::new(),
        groups: Vec::new(),
        declared_roots: None,
        meshes: meshes::read(&doc, &mut accessors)?,
        skins: Vec::new(),
        clips: Vec::new(),
        declared_long_axis: None,
        declared_bend_axis: None,
        frame: Frame::IDENTITY,
        body: None,
        unread: Vec::new(),
        scene_roots: nodes::scenes(&doc)?,
    };
    for index in 0..rig.nodes.len() {
        if let Some(mesh) = rig.nodes[index].mesh {
            rig.meshes[mesh.index()].users.push(NodeId::new(index));
        }
    }
    nodes::mark_scenes(&mut rig);
    skins::read(&doc, &mut accessors, &mut rig, limits)?;
    rig.clips = clips::read(&doc, &mut accessors)?;
    rig.unread = accessors.unread();
    rig.unread.extend(doc.unknown_required());
    rig.asset = doc.default_scene_name();
    Ok(Reading { rig, approximations: accessors.approximations(), extras: doc.own_extras() })
}
