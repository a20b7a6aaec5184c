//! A character's layout: chains of bones, the flesh on them, pieces, feet, controls and a clip.

use std::ops::RangeInclusive;

use glam::{DMat3, DQuat, DVec3};

use super::shape::{Shape, mirror, union};

/// A joint of the layout.
#[derive(Debug, Clone)]
pub(super) struct Bone {
    pub(super) name: String,
    pub(super) parent: Option<usize>,
    pub(super) a: DVec3,
    pub(super) b: DVec3,
    pub(super) turn: DQuat,
    /// The bone on the other side; its own number on the plane.
    pub(super) twin: usize,
    pub(super) role: Role,
    pub(super) range: Option<Range>,
}

/// What a bone is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Deforming,
    Carrying,
    Control,
}

/// Degrees of bend, sway and twist.
pub(super) type Range = [[f64; 2]; 3];

/// A part as the plan will say it.
#[derive(Debug, Clone)]
pub(super) struct Part {
    pub(super) name: String,
    pub(super) kind: &'static str,
    pub(super) side: &'static str,
    pub(super) bones: Vec<usize>,
    pub(super) asymmetric: bool,
}

/// A rigid object.
#[derive(Debug, Clone)]
pub(super) struct Piece {
    pub(super) name: String,
    pub(super) bone: usize,
    pub(super) shapes: Vec<Shape>,
    pub(super) colour: [f32; 3],
    /// The piece on the other side, made first.
    pub(super) twin: Option<usize>,
}

/// A foot: its part, the bones whose skin stands on the ground, and where, seen from above.
#[derive(Debug, Clone)]
pub(super) struct Foot {
    pub(super) part: String,
    pub(super) bones: Vec<usize>,
    pub(super) at: DVec3,
}

/// A point of a chain: place and radius, metres.
pub(super) type Station = ([f64; 3], f64);

/// A chain to lay: its part, kind and side, the joint it hangs from, joints and stations (one more than joints).
pub(super) struct Chain<'c> {
    pub(super) part: &'c str,
    pub(super) kind: &'static str,
    pub(super) side: &'static str,
    pub(super) parent: Option<&'c str>,
    pub(super) names: &'c [&'c str],
    pub(super) stations: &'c [Station],
    /// The world direction that the bend axis starts near.
    pub(super) bend: DVec3,
    /// The joint of the chain that folds as a hinge: its plane gives the bend axis of all.
    pub(super) hinge: Option<usize>,
}

/// Everything a character is made of.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub(super) bones: Vec<Bone>,
    pub(super) parts: Vec<Part>,
    pub(super) pieces: Vec<Piece>,
    pub(super) feet: Vec<Foot>,
    pub(super) groups: Vec<(String, Vec<usize>)>,
    pub(super) swings: Vec<(usize, DVec3, f64)>,
    /// Shapes and the twin of each.
    flesh: Vec<(Shape, usize)>,
    blend: f64,
    colour: [f32; 3],
}

/// A tapered segment of flesh: ends, radii there, and how many times as wide along a direction.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lump {
    pub(super) from: [f64; 3],
    pub(super) to: [f64; 3],
    pub(super) radii: [f64; 2],
    pub(super) wide: DVec3,
    pub(super) k: f64,
}

/// A round lump.
pub(super) fn round(from: [f64; 3], to: [f64; 3], radii: [f64; 2]) -> Lump {
    Lump { from, to, radii, wide: DVec3::X, k: 1.0 }
}

/// A lump `k` times as wide along `wide`.
pub(super) fn flat(from: [f64; 3], to: [f64; 3], radii: [f64; 2], wide: DVec3, k: f64) -> Lump {
    Lump { from, to, radii, wide: wide.normalize_or(DVec3::X), k }
}

/// The direction made normal to a segment's axis.
fn across(wide: DVec3, a: DVec3, b: DVec3) -> DVec3 {
    let axis = (b - a).normalize_or_zero();
    (wide - axis * wide.dot(axis)).normalize_or(DVec3::X)
}

impl Layout {
    pub(super) fn new(blend: f64, colour: [f32; 3]) -> Self {
        Self {
            bones: Vec::new(),
            parts: Vec::new(),
            pieces: Vec::new(),
            feet: Vec::new(),
            groups: Vec::new(),
            swings: Vec::new(),
            flesh: Vec::new(),
            blend,
            colour,
        }
    }

    /// What is laid from here on has this colour.
    pub(super) fn paint(&mut self, colour: [f32; 3]) {
        self.colour = colour;
    }

    /// How far what is laid from here on blends, metres.
    pub(super) fn blend(&mut self, blend: f64) {
        self.blend = blend;
    }

    /// The bone of a name; the layouts only ask for names they made.
    pub(super) fn find(&self, name: &str) -> Option<usize> {
        self.bones.iter().position(|bone| bone.name == name)
    }

    /// The deforming bones of each part.
    pub(super) fn part_bones(&self) -> impl Iterator<Item = &Vec<usize>> {
        self.parts.iter().map(|part| &part.bones)
    }

    fn shape(&self, bone: usize, lump: &Lump) -> Shape {
        let (a, b) = (DVec3::from_array(lump.from), DVec3::from_array(lump.to));
        Shape {
            a,
            b,
            ra: lump.radii[0],
            rb: lump.radii[1],
            wide: across(lump.wide, a, b),
            k: lump.k,
            bone,
            part: self.parts.iter().position(|part| part.bones.contains(&bone)).unwrap_or(0),
            inner: self.blend,
            outer: self.blend,
            colour: self.colour,
        }
    }

    /// A chain; its segments are round cones between the stations (none where a radius is zero).
    pub(super) fn chain(&mut self, chain: &Chain<'_>) {
        let points: Vec<DVec3> = chain.stations.iter().map(|station| DVec3::from_array(station.0)).collect();
        let ways: Vec<DVec3> =
            points.windows(2).map(|pair| (pair[1] - pair[0]).normalize_or(DVec3::Y)).collect();
        let hint = chain.bend;
        let (start, axis) = match chain.hinge {
            Some(hinge) => {
                let normal = ways[hinge - 1].cross(ways[hinge]).normalize_or(hint);
                (hinge, if normal.dot(hint) < 0.0 { -normal } else { normal })
            }
            None => (0, hint.reject_from_normalized(ways[0]).normalize_or(ways[0].any_orthonormal_vector())),
        };
        // The bend axis is carried from segment to segment by the smallest rotation: no twist.
        let mut across = vec![axis; ways.len()];
        for step in start + 1..ways.len() {
            across[step] = DQuat::from_rotation_arc(ways[step - 1], ways[step]) * across[step - 1];
        }
        for step in (0..start).rev() {
            across[step] = DQuat::from_rotation_arc(ways[step + 1], ways[step]) * across[step + 1];
        }
        let mut up = chain.parent.and_then(|name| self.find(name));
        let mut bones = Vec::new();
        for (step, name) in chain.names.iter().enumerate() {
            let x = across[step].reject_from_normalized(ways[step]).normalize_or(DVec3::X);
            let basis = DMat3::from_cols(x, ways[step], x.cross(ways[step]));
            let number = self.bones.len();
            self.bones.push(Bone {
                name: (*name).to_owned(),
                parent: up,
                a: points[step],
                b: points[step + 1],
                turn: DQuat::from_mat3(&basis).normalize(),
                twin: number,
                role: Role::Deforming,
                range: Some([[-30.0, 45.0], [-20.0, 20.0], [-10.0, 10.0]]),
            });
            up = Some(number);
            bones.push(number);
        }
        self.parts.push(Part {
            name: chain.part.to_owned(),
            kind: chain.kind,
            side: chain.side,
            bones: bones.clone(),
            asymmetric: false,
        });
        for (bone, pair) in bones.iter().zip(chain.stations.windows(2)) {
            if pair[0].1 > 0.0 {
                let lump = round(pair[0].0, pair[1].0, [pair[0].1, pair[1].1]);
                let number = self.flesh.len();
                self.flesh.push((self.shape(*bone, &lump), number));
            }
        }
        if let Some(hinge) = chain.hinge.and_then(|hinge| bones.get(hinge)) {
            // It folds further the way it is bent.
            let step = chain.hinge.unwrap_or(0);
            let folds = ways[step - 1].cross(ways[step]).dot(axis) >= 0.0;
            let bend = if folds { [0.0, 120.0] } else { [-120.0, 0.0] };
            self.bones[*hinge].range = Some([bend, [0.0, 0.0], [0.0, 0.0]]);
        }
    }

    /// A chain on the left (names end in `_l`), and its mirror image on the right.
    pub(super) fn twins(&mut self, chain: &Chain<'_>) {
        let (first, flesh) = (self.bones.len(), self.flesh.len());
        let names: Vec<String> = chain.names.iter().map(|name| format!("{name}_l")).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let part = format!("{}_l", chain.part);
        self.chain(&Chain { part: &part, side: "left", names: &names, ..*chain });
        let count = self.bones.len() - first;
        let mut bones = Vec::new();
        for index in first..first + count {
            let left = self.bones[index].clone();
            let parent = left.parent.map(|up| if up >= first { up + count } else { self.bones[up].twin });
            let right = Self::mirrored_bone(&left, index, parent);
            bones.push(self.bones.len());
            self.bones.push(right);
            self.bones[index].twin = index + count;
        }
        self.parts.push(Part {
            name: format!("{}_r", chain.part),
            kind: chain.kind,
            side: "right",
            bones,
            asymmetric: false,
        });
        for index in flesh..self.flesh.len() {
            self.add_twin(index);
        }
    }

    /// H·R·diag(−1, 1, 1): the frame's image in the plane with its bend axis turned back.
    fn mirrored_bone(left: &Bone, twin: usize, parent: Option<usize>) -> Bone {
        let [x, y, z, w] = left.turn.to_array();
        Bone {
            name: left.name.strip_suffix("_l").map_or_else(|| left.name.clone(), |stem| format!("{stem}_r")),
            parent,
            a: mirror(left.a),
            b: mirror(left.b),
            turn: DQuat::from_xyzw(x, -y, -z, w),
            twin,
            ..left.clone()
        }
    }

    /// The mirror image of a shape, on the bone's twin.
    fn add_twin(&mut self, index: usize) {
        let (shape, _) = self.flesh[index];
        let bone = self.bones[shape.bone].twin;
        let part = self.parts.iter().position(|part| part.bones.contains(&bone)).unwrap_or(shape.part);
        self.flesh[index].1 = self.flesh.len();
        self.flesh.push((Shape { bone, part, ..shape.mirrored() }, index));
    }

    /// More flesh on a bone; off the plane, its mirror image comes along, unless the bone stands alone on one side.
    pub(super) fn flesh(&mut self, bone: &str, lumps: &[Lump]) {
        let Some(bone) = self.find(bone) else { return };
        for lump in lumps {
            let shape = self.shape(bone, lump);
            let number = self.flesh.len();
            self.flesh.push((shape, number));
            let alone = self.bones[bone].twin == bone && self.bones[bone].a.x != 0.0;
            let on_plane = shape.a.x == 0.0 && shape.b.x == 0.0;
            // A lump across the plane, end for end, is its own image.
            let across = shape.a == mirror(shape.b) && shape.ra == shape.rb;
            if !alone && !on_plane && !across {
                self.add_twin(number);
            }
        }
    }

    /// Makes the segments of a part elliptic.
    pub(super) fn widen(&mut self, part: &str, wide: DVec3, k: f64) {
        let Some(number) = self.parts.iter().position(|p| p.name == part) else { return };
        for (shape, _) in self.flesh.iter_mut().filter(|(shape, _)| shape.part == number) {
            shape.wide = across(wide, shape.a, shape.b);
            shape.k = k;
        }
    }

    /// Declares a part different from its twin.
    pub(super) fn asymmetric(&mut self, part: &str) {
        for found in self.parts.iter_mut().filter(|p| p.name == part) {
            found.asymmetric = true;
        }
    }

    /// Degrees that the joints of a name, and of its twin, can turn.
    pub(super) fn range(&mut self, name: &str, bend: RangeInclusive<f64>, sway: f64, twist: f64) {
        let Some(bone) = self.find(name) else { return };
        let range = Some([[*bend.start(), *bend.end()], [-sway, sway], [-twist, twist]]);
        self.bones[bone].range = range;
        let twin = self.bones[bone].twin;
        self.bones[twin].range = range;
    }

    /// A rigid object of some lumps (metres from its pivot), carried by a joint of its own.
    pub(super) fn piece(&mut self, name: &str, hook: &str, parent: &str, at: [f64; 3], lumps: &[Lump]) {
        let at = DVec3::from_array(at);
        let number = self.bones.len();
        self.bones.push(Bone {
            name: hook.to_owned(),
            parent: self.find(parent),
            a: at,
            b: at + DVec3::Y * 0.03,
            turn: DQuat::IDENTITY,
            twin: number,
            role: Role::Carrying,
            range: None,
        });
        self.hang(name, number, lumps);
    }

    /// Another object on the hook of one.
    pub(super) fn beside(&mut self, name: &str, hook: &str, lumps: &[Lump]) {
        if let Some(bone) = self.find(hook) {
            self.hang(name, bone, lumps);
        }
    }

    fn hang(&mut self, name: &str, bone: usize, lumps: &[Lump]) {
        let at = self.bones[bone].a;
        let shapes = lumps
            .iter()
            .map(|lump| {
                let shape = self.shape(bone, lump);
                Shape { a: shape.a + at, b: shape.b + at, ..shape }
            })
            .collect();
        self.pieces.push(Piece { name: name.to_owned(), bone, shapes, colour: self.colour, twin: None });
    }

    /// A piece `…_l` on the left and its mirror image on the right; the hooks are twins.
    pub(super) fn piece_twins(&mut self, name: &str, hook: &str, parent: &str, at: [f64; 3], lumps: &[Lump]) {
        self.piece(&format!("{name}_l"), &format!("{hook}_l"), parent, at, lumps);
        let (bone, piece) = (self.bones.len() - 1, self.pieces.len() - 1);
        let left = self.bones[bone].clone();
        let up = left.parent.map(|up| self.bones[up].twin);
        let right = Self::mirrored_bone(&left, bone, up);
        self.bones.push(right);
        self.bones[bone].twin = bone + 1;
        let shapes = self.pieces[piece].shapes.iter().map(|shape| shape.mirrored()).collect();
        let colour = self.colour;
        let name = format!("{name}_r");
        self.pieces.push(Piece { name, bone: bone + 1, shapes, colour, twin: Some(piece) });
    }

    /// A joint for animators alone, in a group of its name.
    pub(super) fn control(&mut self, name: &str, group: &str, parent: &str, at: [f64; 3]) {
        let number = self.bones.len();
        let at = DVec3::from_array(at);
        self.bones.push(Bone {
            name: name.to_owned(),
            parent: self.find(parent),
            a: at,
            b: at,
            turn: DQuat::IDENTITY,
            twin: number,
            role: Role::Control,
            range: None,
        });
        self.groups.push((group.to_owned(), vec![number]));
    }

    /// A control on the left and one on the right.
    pub(super) fn control_twins(&mut self, name: &str, group: &str, parent: &str, at: [f64; 3]) {
        let [x, y, z] = at;
        let first = self.bones.len();
        self.control(&format!("{name}_l"), &format!("left {group}"), parent, at);
        self.control(&format!("{name}_r"), &format!("right {group}"), parent, [-x, y, z]);
        self.bones[first].twin = first + 1;
        self.bones[first + 1].twin = first;
    }

    /// The feet of a part and its twin: left bones that stand on the ground, and the left one's middle from above.
    pub(super) fn feet(&mut self, part: &str, bones: &[&str], [x, z]: [f64; 2]) {
        let left: Vec<usize> = bones.iter().filter_map(|name| self.find(name)).collect();
        let right = left.iter().map(|bone| self.bones[*bone].twin).collect();
        self.feet.push(Foot { part: format!("{part}_l"), bones: left, at: DVec3::new(x, 0.0, z) });
        self.feet.push(Foot { part: format!("{part}_r"), bones: right, at: DVec3::new(-x, 0.0, z) });
    }

    /// A joint that the clip swings about a local axis, degrees.
    pub(super) fn swing(&mut self, name: &str, axis: DVec3, degrees: f64) {
        if let Some(bone) = self.find(name) {
            self.swings.push((bone, axis, degrees));
        }
    }

    /// The body's shapes, those of a part together, and the twin of each.
    pub(super) fn body(&self) -> (Vec<Shape>, Vec<usize>) {
        let mut order: Vec<usize> = (0..self.flesh.len()).collect();
        order.sort_by_key(|index| self.flesh[*index].0.part);
        let mut place = vec![0; order.len()];
        for (number, index) in order.iter().enumerate() {
            place[*index] = number;
        }
        let shapes = order.iter().map(|index| self.flesh[*index].0).collect();
        (shapes, order.iter().map(|index| place[self.flesh[*index].1]).collect())
    }

    /// The z of the skin's front at a place: where a line along +Z leaves the body for the last time.
    pub(super) fn front(&self, x: f64, y: f64) -> f64 {
        let (shapes, _) = self.body();
        let list: Vec<u16> = (0..shapes.len() as u16).collect();
        let outside = |z: f64| union(&shapes, &list, DVec3::new(x, y, z)) > 0.0;
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..40 {
            let middle = f64::midpoint(low, high);
            if outside(middle) { high = middle } else { low = middle }
        }
        f64::midpoint(low, high)
    }
}
