//! A model bound with the weights of a trial bind: joints, skin, bind matrices and influences are added to the file, and
//! everything else stays as it is.

use glam::DMat4;
use serde_json::json;

use super::Session;
use super::bind::decompose;
use super::store::Payload;
use crate::bind::{MOST_KEPT, TrialBind, Winners, linear};
use crate::body::Part;
use crate::facts::{Facts, place_at_bind};
use crate::intake::{Bundle, Intake, Limits};
use crate::model::{JointId, MeshId, NodeId};
use crate::repair::container::Container;

/// The most joints of a skin: an index is two bytes.
const MOST_JOINTS: usize = 65_535;

/// The colour of pieces that no bound joint carries.
const GREY: &str = "#9aa0a3";

/// How a bound model is written.
#[derive(Debug, Clone, Copy, Default)]
pub struct Bound<'n> {
    /// Influences per vertex, four to a set; as many as the bind kept unless said.
    pub influences: Option<usize>,
    /// Every vertex in the colour of the joint that wins it, on a plain material.
    pub colours: bool,
    /// The nodes that are the plan's joints already, one each; without them nodes are added.
    pub nodes: Option<&'n [NodeId]>,
}

/// Binds the model of a plan: `model` is what was read of `bundle`'s model alone, `plan` the facts of the plan with it.
/// Pieces are bound whole to the joint that carries them.
///
/// # Errors
/// In words, why the model cannot be bound.
pub fn bind_model(
    bundle: &Bundle<'_>,
    model: &Intake,
    plan: &Facts<'_>,
    how: Bound<'_>,
    limits: &Limits,
) -> Result<Vec<u8>, String> {
    let bind = plan.trial_bind().map_err(|refusal| refusal.reason().to_owned())?;
    let body = plan.body().ok_or("no body came with the plan")?;
    let upload = bundle.model.ok_or("no body came with the plan")?;
    let container = Container::split(upload.bytes).ok_or("the model is no glTF")?;
    let mut session = Session::new(&container, model, bundle, limits).ok_or("the model is no glTF")?;
    let mut binder = Binder {
        session: &mut session,
        plan,
        bind,
        slots: bind.joints.clone(),
        nodes: Vec::new(),
        influences: how.influences.unwrap_or(bind.influences).clamp(1, MOST_KEPT),
        winners: how.colours.then(|| Winners::new(bind)),
        material: None,
    };
    for joint in bind.carried.iter().filter_map(|carried| carried.flatten()) {
        if !binder.slots.contains(&joint) {
            binder.slots.push(joint);
        }
    }
    if binder.slots.len() > MOST_JOINTS {
        return Err("a skin cannot have so many joints".into());
    }
    match how.nodes {
        Some(nodes) if nodes.len() == plan.rig().joints.len() => {
            binder.nodes = nodes.iter().map(|node| node.index()).collect();
        }
        _ => binder.joints()?,
    }
    let mut skins: Vec<(DMat4, usize)> = Vec::new();
    for (number, part) in plan.surface().parts.iter().enumerate() {
        binder.refuse(part)?;
        let place = place_at_bind(body, part.node);
        let known = skins.iter().find(|(known, _)| *known == place).map(|one| one.1);
        let skin = if let Some(skin) = known { skin } else { binder.skin(place)? };
        if known.is_none() {
            skins.push((place, skin));
        }
        binder.weights(number, part);
        binder.colours(number, part)?;
        for node in binder.users(part.mesh) {
            binder.session.document.set(&format!("/nodes/{node}/skin"), &json!(skin))?;
        }
    }
    session.finish()?.ok_or_else(|| "there is nothing to bind".to_owned())
}

struct Binder<'s, 'a, 'p, 'f> {
    session: &'s mut Session<'a>,
    plan: &'p Facts<'f>,
    bind: &'p TrialBind,
    /// The joints of the skins.
    slots: Vec<JointId>,
    /// The node of each of the plan's joints.
    nodes: Vec<usize>,
    /// Per vertex.
    influences: usize,
    /// Where colours are wanted.
    winners: Option<Winners>,
    /// The plain material that colours are seen on.
    material: Option<usize>,
}

impl Binder<'_, '_, '_, '_> {
    /// Adds a node for each joint of the plan, below each other as the plan says.
    fn joints(&mut self) -> Result<(), String> {
        let rig = self.plan.rig();
        let tree = self.plan.tree();
        let first = self.session.document.length("/nodes").unwrap_or(0);
        self.nodes = (first..first + rig.joints.len()).collect();
        if first == 0 {
            self.session.document.set("/nodes", &json!([]))?;
        }
        for (index, joint) in rig.joints.iter().enumerate() {
            let above = tree.parent[index].map_or(DMat4::IDENTITY, |up| rig.joints[up.index()].rest);
            let local = above.inverse() * joint.rest;
            let (place, turn, _) = decompose(local)
                .ok_or_else(|| format!("joint {index} of the plan has no frame that a node can have"))?;
            let mut node = json!({"translation": place.to_array(), "rotation": turn.to_array()});
            if let Some(name) = &joint.name {
                node["name"] = json!(name);
            }
            let children = &tree.children[index];
            if !children.is_empty() {
                node["children"] = children.iter().map(|child| json!(self.nodes[child.index()])).collect();
            }
            self.session.document.push("/nodes", &node)?;
        }
        let roots: Vec<usize> = tree.roots().map(|root| self.nodes[root.index()]).collect();
        self.show(&roots)
    }

    /// Puts nodes into the scene that is shown; a file without one gets one.
    fn show(&mut self, roots: &[usize]) -> Result<(), String> {
        let document = &mut self.session.document;
        if document.length("/scenes").unwrap_or(0) == 0 {
            let rig = self.session.rig;
            let tops = (0..rig.nodes.len()).filter(|node| rig.nodes[*node].parent.is_none());
            let all: Vec<usize> = tops.chain(roots.iter().copied()).collect();
            document.set("/scenes", &json!([{"nodes": all}]))?;
            return document.set("/scene", &json!(0));
        }
        let scene = document.value("/scene").and_then(|scene| super::store::whole(&scene)).unwrap_or(0);
        let list = format!("/scenes/{scene}/nodes");
        if document.length(&list).is_none() {
            document.set(&list, &json!([]))?;
        }
        for root in roots {
            document.push(&list, &json!(root))?;
        }
        Ok(())
    }

    /// What cannot be bound without changing what else the file shows.
    fn refuse(&mut self, part: &Part) -> Result<(), String> {
        let at = format!("/meshes/{}/primitives/{}", part.mesh.0, part.primitive);
        if self.session.document.has(&format!("{at}/extensions/KHR_draco_mesh_compression")) {
            return Err(format!("{at} is stored compressed: weights cannot be added to it"));
        }
        let parts = &self.plan.surface().parts;
        if parts.iter().any(|other| other.mesh == part.mesh && other.node != part.node) {
            return Err(format!(
                "mesh {} stands in several places: one set of weights does not fit all",
                part.mesh.0
            ));
        }
        Ok(())
    }

    /// The nodes that draw a mesh.
    fn users(&self, mesh: MeshId) -> Vec<u32> {
        let nodes = &self.session.rig.nodes;
        (0..nodes.len() as u32).filter(|node| nodes[*node as usize].mesh == Some(mesh)).collect()
    }

    /// Adds a skin for meshes that stand at `place`.
    fn skin(&mut self, place: DMat4) -> Result<usize, String> {
        let mut matrices: Vec<f32> = Vec::with_capacity(self.slots.len() * 16);
        for joint in &self.slots {
            let mut matrix = self.plan.rig().joints[joint.index()].rest.inverse() * place;
            // The last row of an affine matrix, exactly.
            (matrix.x_axis.w, matrix.y_axis.w, matrix.z_axis.w, matrix.w_axis.w) = (0.0, 0.0, 0.0, 1.0);
            matrices.extend(matrix.to_cols_array().map(|number| number as f32));
        }
        let joints: Vec<usize> = self.slots.iter().map(|joint| self.nodes[joint.index()]).collect();
        let document = &mut self.session.document;
        if document.length("/skins").is_none() {
            document.set("/skins", &json!([]))?;
        }
        let mut skin = json!({"joints": joints});
        if let Some(winners) = &self.winners {
            let bound = self.bind.joints.len() as u32;
            let colour = |slot: u32| if slot < bound { winners.css(slot) } else { GREY };
            let colours: Vec<&str> = (0..self.slots.len() as u32).map(colour).collect();
            skin["extras"] = json!({"condyle": {"colours": colours}});
        }
        let skin = document.push("/skins", &skin)?;
        let payload = Payload::floats(&matrices, "MAT4", false);
        self.session.payloads.insert(format!("/skins/{skin}/inverseBindMatrices"), payload);
        Ok(skin)
    }

    /// The joint that carries a part, as a number of the skins; nothing for skin.
    fn carrier(&self, number: usize) -> Option<usize> {
        let carrier = self.bind.carried[number]?;
        let slot = carrier.and_then(|joint| self.slots.iter().position(|slot| *slot == joint));
        Some(slot.unwrap_or(0))
    }

    /// Influences of a part, four to a set; sets beyond them go.
    fn weights(&mut self, number: usize, part: &Part) {
        let count = part.vertices as usize;
        let short = self.slots.len() <= 256;
        let carrier = self.carrier(number);
        let sets = if carrier.is_some() { 1 } else { self.influences.div_ceil(4) };
        let mut joints: Vec<Vec<u8>> =
            (0..sets).map(|_| Vec::with_capacity(count * if short { 4 } else { 8 })).collect();
        let mut weights: Vec<Vec<u8>> = (0..sets).map(|_| Vec::with_capacity(count * 16)).collect();
        for vertex in part.first_vertex..part.first_vertex + part.vertices {
            let row = self.row(vertex, carrier);
            for (set, four) in row.chunks_exact(4).take(sets).enumerate() {
                for (slot, weight) in four {
                    if short {
                        joints[set].push(*slot as u8);
                    } else {
                        joints[set].extend((*slot as u16).to_le_bytes());
                    }
                    weights[set].extend(weight.to_le_bytes());
                }
            }
        }
        let at = format!("/meshes/{}/primitives/{}/attributes", part.mesh.0, part.primitive);
        let primitive = &self.session.rig.meshes[part.mesh.index()].primitives[part.primitive as usize];
        let stored = [("JOINTS", &primitive.joint_sets), ("WEIGHTS", &primitive.weight_sets)];
        for (attribute, stored) in stored {
            for set in stored.iter().filter(|set| **set as usize >= sets) {
                // What is not there needs no removing.
                let _ = self.session.document.remove(&format!("{at}/{attribute}_{set}"));
            }
        }
        let component = if short { 5121 } else { 5123 };
        for (set, (joints, weights)) in joints.into_iter().zip(weights).enumerate() {
            let payload = Payload::vertex(joints, component, false, count);
            self.session.payloads.insert(format!("{at}/JOINTS_{set}"), payload);
            let payload = Payload::vertex(weights, 5126, false, count);
            self.session.payloads.insert(format!("{at}/WEIGHTS_{set}"), payload);
        }
    }

    /// Joints and weights of a vertex, which add up to one; the rest has no weight.
    fn row(&self, vertex: u32, carrier: Option<usize>) -> [(usize, f32); MOST_KEPT] {
        let mut row = [(0, 0.0_f32); MOST_KEPT];
        let surface = self.plan.surface();
        let point = surface.point_of[vertex as usize];
        if let Some(slot) = carrier {
            row[0] = (slot, 1.0);
            return row;
        }
        let bound = self.bind.row_at(point, self.influences);
        if bound.is_empty() {
            let place = surface.positions[vertex as usize];
            let nearest = self
                .bind
                .segments
                .iter()
                .map(|segment| (segment.nearest(place).0.distance(place), segment.slot))
                .min_by(|a, b| a.0.total_cmp(&b.0));
            row[0] = (nearest.map_or(0, |one| one.1 as usize), 1.0);
            return row;
        }
        for (place, (slot, weight)) in row.iter_mut().zip(bound) {
            *place = (slot as usize, weight as f32);
        }
        // Rounding goes to the strongest.
        row[0].1 = 1.0 - row[1..].iter().map(|one| one.1).sum::<f32>();
        row.iter_mut().filter(|one| one.1 == 0.0).for_each(|one| one.0 = 0);
        row
    }

    /// Every vertex of a part in the colour of its strongest joint, where colours are wanted.
    fn colours(&mut self, number: usize, part: &Part) -> Result<(), String> {
        let Some(winners) = &self.winners else { return Ok(()) };
        let bytes = |css: &str| {
            let [r, g, b] = linear(css).map(|part| (part * 255.0).round() as u8);
            [r, g, b, 255]
        };
        let carrier = self.carrier(number);
        let mut colours: Vec<u8> = Vec::with_capacity(part.vertices as usize * 4);
        for vertex in part.first_vertex..part.first_vertex + part.vertices {
            let slot = self.row(vertex, carrier)[0].0;
            let css = if slot < self.bind.joints.len() { winners.css(slot as u32) } else { GREY };
            colours.extend(bytes(css));
        }
        let at = format!("/meshes/{}/primitives/{}", part.mesh.0, part.primitive);
        let payload = Payload::vertex(colours, 5121, true, part.vertices as usize);
        self.session.payloads.insert(format!("{at}/attributes/COLOR_0"), payload);
        let document = &mut self.session.document;
        let material = if let Some(known) = self.material {
            known
        } else {
            if document.length("/materials").is_none() {
                document.set("/materials", &json!([]))?;
            }
            let surface = json!({"metallicFactor": 0, "roughnessFactor": 1});
            document.push(
                "/materials",
                &json!({"name": "winners", "pbrMetallicRoughness": surface, "doubleSided": true}),
            )?
        };
        self.material = Some(material);
        document.set(&format!("{at}/material"), &json!(material))
    }
}
