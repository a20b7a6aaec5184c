//! Writes models with the clip of their worst poses, and what the findings say of them, for a reader that is not ours
//! (`tests/outside/worst_poses.py`): `worst_poses FOLDER FILE…`.
#![expect(clippy::print_stdout, reason = "a tool for a terminal")]

use std::path::PathBuf;

use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::repair::pose_model;
use condyle_core::sweep::worst;
use serde_json::json;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let folder = arguments.next().unwrap_or_else(|| PathBuf::from("posed"));
    std::fs::create_dir_all(&folder)?;
    let mut list = Vec::new();
    for path in arguments {
        let bytes = std::fs::read(&path)?;
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let bundle = Bundle { model: Some(Upload { name: &name, bytes: &bytes }), ..Bundle::default() };
        let model = read(&bundle, &Limits::default()).map_err(|fault| fault.to_string())?;
        let facts = Facts::new(&model.rig);
        let posed = pose_model(&bundle, &model, &facts, &Limits::default())?;
        let (surface, sweep) = (facts.surface(), facts.sweep());
        // Of each shown pose whose finding says how far a point goes.
        let mut told = Vec::new();
        for shown in worst(&facts).iter().filter(|one| !posed.left_out.contains(&one.joint)) {
            let found = match shown.check {
                "sweep/leak" => {
                    let ours = sweep.gaps.iter().filter(|leak| leak.posed == shown.joint);
                    ours.max_by(|a, b| a.moved.total_cmp(&b.moved)).map(|leak| (leak.peak, leak.moved))
                }
                "sweep/drag" => {
                    let ours = sweep.drags.iter().filter(|drag| drag.posed == shown.joint);
                    ours.max_by(|a, b| a.moved.total_cmp(&b.moved)).map(|drag| (drag.point, drag.moved))
                }
                _ => None,
            };
            let Some((point, moved)) = found else { continue };
            let part = surface.part_at(point);
            told.push(json!({
                "node": model.rig.joints[shown.joint.index()].node.map(|node| node.0),
                "mesh": part.mesh.0,
                "skin": part.skin.map(|skin| skin.0),
                "primitive": part.primitive,
                "vertex": surface.members(point)[0] - part.first_vertex,
                "moved": moved,
            }));
        }
        let out = format!("{}-{name}", list.len());
        std::fs::write(folder.join(&out), &posed.bytes)?;
        list.push(json!({
            "file": out, "before": path.canonicalize()?, "s": facts.s(), "poses": posed.poses, "told": told,
        }));
    }
    std::fs::write(folder.join("posed.json"), serde_json::to_string_pretty(&list)?)?;
    println!("{} models in {}", list.len(), folder.display());
    Ok(())
}
