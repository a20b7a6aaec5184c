//! glTF 2.0 into a rig: lenient about what does not matter, exact about what does.

mod accessor;
mod buffers;
mod clips;
mod compressed;
mod doc;
mod humanoid;
mod meshes;
mod nodes;
mod skins;

use serde_json::Value;

use super::{Fault, Limits, Upload};
use crate::model::{Frame, Mesh, NodeId, Rig, Source};
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
        bytes: 0,
        whole: false,
        scene_roots: nodes::scenes(&doc)?,
        humanoid: humanoid::read(&doc)?,
    };
    for index in 0..rig.nodes.len() {
        if let Some(mesh) = rig.nodes[index].mesh {
            rig.meshes[mesh.index()].users.push(NodeId::new(index));
        }
    }
    drawn_within(&doc, &rig, limits)?;
    nodes::mark_scenes(&mut rig);
    skins::read(&doc, &mut accessors, &mut rig, limits)?;
    rig.clips = clips::read(&doc, &mut accessors)?;
    rig.unread = accessors.unread();
    rig.unread.extend(doc.unknown_required());
    rig.asset = doc.default_scene_name();
    Ok(Reading { rig, approximations: accessors.approximations(), extras: doc.own_extras() })
}

/// A mesh counts once for every node that draws it: a small file can ask for a large one a thousand times over.
fn drawn_within(doc: &Doc<'_>, rig: &Rig, limits: &Limits) -> Result<(), Fault> {
    let size = |mesh: &Mesh| -> u64 {
        mesh.primitives.iter().map(|p| (p.positions.len() + p.triangles.len()) as u64 + 64).sum()
    };
    let sizes: Vec<u64> = rig.meshes.iter().map(size).collect();
    // Shared meshes are normal; a character that is drawn this often is a crowd.
    let most = limits.vertices.saturating_mul(6);
    let mut total = 0_u64;
    for (index, mesh) in rig.nodes.iter().enumerate().filter_map(|(index, node)| Some((index, node.mesh?))) {
        total = total.saturating_add(sizes[mesh.index()]);
        if total > most {
            return Err(doc.limit(format!("/nodes/{index}/mesh"), "vertices", most, total));
        }
    }
    Ok(())
}
