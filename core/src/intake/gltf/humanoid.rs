//! The humanoid map: `VRMC_vrm` (VRM 1.0), or `VRM` (the older 0.x).

use serde_json::Value;

use super::doc::Doc;
use crate::intake::Fault;
use crate::model::{Humanoid, NodeId};
use crate::standards::VRM_OLDER_THUMBS;

/// More entries than this are no humanoid: the standard has 55 bones.
const MOST: usize = 512;
/// Characters of a bone's name that are kept.
const LONGEST: usize = 80;

/// Reads the map, if the document has one; an index that points nowhere is a fault.
pub(super) fn read(doc: &Doc<'_>) -> Result<Option<Humanoid>, Fault> {
    let Some(extensions) = doc.root.get("extensions") else { return Ok(None) };
    let nodes = doc.count("nodes");
    let bones = |extension: &str| extensions.get(extension)?.get("humanoid")?.get("humanBones");
    if let Some(map) = bones("VRMC_vrm") {
        let here = "/extensions/VRMC_vrm/humanoid/humanBones";
        let Some(map) = map.as_object() else {
            return Err(doc.invalid(here, "must be an object", "VRMC_vrm 1.0, humanoid"));
        };
        let mut list = Vec::new();
        for (name, entry) in map {
            full(doc, here, map.len())?;
            let pointer = format!("{here}/{}", name.replace('~', "~0").replace('/', "~1"));
            list.push((shortened(name), doc.index(entry, "node", &pointer, nodes, "node")?.map(NodeId::new)));
        }
        return Ok(Some(Humanoid { older: false, bones: list }));
    }
    let Some(list) = bones("VRM") else { return Ok(None) };
    let here = "/extensions/VRM/humanoid/humanBones";
    let Some(list) = list.as_array() else {
        return Err(doc.invalid(here, "must be a list", "VRM 0.x, humanoid"));
    };
    full(doc, here, list.len())?;
    let mut bones = Vec::new();
    for (at, entry) in list.iter().enumerate() {
        let Some(name) = entry.get("bone").and_then(Value::as_str) else { continue };
        let newer =
            VRM_OLDER_THUMBS.iter().find(|(older, _)| *older == name).map_or(name, |(_, newer)| newer);
        // Writers of that version put -1 where a bone is left out.
        if entry.get("node").and_then(Value::as_i64) == Some(-1) {
            continue;
        }
        let node = doc.index(entry, "node", &format!("{here}/{at}"), nodes, "node")?;
        bones.push((shortened(newer), node.map(NodeId::new)));
    }
    Ok(Some(Humanoid { older: true, bones }))
}

fn full(doc: &Doc<'_>, here: &str, entries: usize) -> Result<(), Fault> {
    if entries > MOST {
        return Err(doc.limit(here, "humanoid_bones", MOST as u64, entries as u64));
    }
    Ok(())
}

fn shortened(name: &str) -> String {
    name.chars().take(LONGEST).collect()
}

#[cfg(all(test, feature = "testing"))]
#[allow(clippy::unwrap_used, reason = "a test may fail loudly")]
mod tests {
    use serde_json::{Value, json};

    use crate::intake::{Bundle, Fault, FaultKind, Limits, Place, Upload, read};
    use crate::model::{Humanoid, NodeId};
    use crate::testing::{build, with_document};

    fn with(extensions: Value) -> Result<Option<Humanoid>, Fault> {
        let text = "gltf\njoint hips at 0 1 0 parent none\njoint spine at 0 1.2 0 tip 0 1.5 0\nbody tubes radius 0.05\n";
        let glb =
            with_document(&build(text).unwrap(), |document| document["extensions"] = extensions).unwrap();
        let model = Some(Upload { name: "clerk.vrm", bytes: &glb });
        read(&Bundle { model, ..Bundle::default() }, &Limits::default()).map(|intake| intake.rig.humanoid)
    }

    #[test]
    fn both_versions_are_read_under_the_names_of_the_newer() {
        let newer =
            with(json!({"VRMC_vrm": {"humanoid": {"humanBones": {"hips": {"node": 0}, "head": {}}}}}));
        let map = newer.unwrap().unwrap();
        assert!(!map.older);
        let mut bones = map.bones;
        bones.sort();
        assert_eq!(bones, [("head".to_owned(), None), ("hips".to_owned(), Some(NodeId(0)))]);
        let older = with(json!({"VRM": {"humanoid": {"humanBones": [
            {"bone": "hips", "node": 0}, {"bone": "leftThumbIntermediate", "node": 1}, {"bone": "jaw", "node": -1}]}}}));
        let map = older.unwrap().unwrap();
        assert!(map.older);
        let thumb = "leftThumbProximal".to_owned();
        assert_eq!(map.bones, [("hips".to_owned(), Some(NodeId(0))), (thumb, Some(NodeId(1)))]);
    }

    #[test]
    fn an_index_that_points_nowhere_is_a_fault_with_its_place() {
        for (extensions, place) in [
            (
                json!({"VRMC_vrm": {"humanoid": {"humanBones": {"hips": {"node": 99}}}}}),
                "/extensions/VRMC_vrm/humanoid/humanBones/hips/node",
            ),
            (
                json!({"VRMC_vrm": {"humanoid": {"humanBones": 7}}}),
                "/extensions/VRMC_vrm/humanoid/humanBones",
            ),
            (
                json!({"VRM": {"humanoid": {"humanBones": [{"bone": "hips", "node": 99}]}}}),
                "/extensions/VRM/humanoid/humanBones/0/node",
            ),
        ] {
            let fault = with(extensions).unwrap_err();
            assert!(matches!(fault.kind, FaultKind::Invalid));
            assert!(matches!(&fault.place, Place::Pointer(pointer) if pointer == place), "{:?}", fault.place);
        }
        assert!(with(json!({"VRMC_vrm": {}})).unwrap().is_none());
    }
}
