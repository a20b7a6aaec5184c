//! What our reading is measured against.

use std::hint::black_box;

/// The peer: `gltf` 1.4.1, every attribute iterated.
pub(crate) fn iterate(glb: &[u8]) -> usize {
    let parsed = gltf::Gltf::from_slice(glb).unwrap();
    let blob = parsed.blob.clone().unwrap();
    let mut vertices = 0;
    let mut sum = 0.0_f32;
    for primitive in parsed.meshes().flat_map(|mesh| mesh.primitives()) {
        let reader = primitive.reader(|_| Some(&blob));
        for p in reader.read_positions().into_iter().flatten() {
            vertices += 1;
            sum += p[0] + p[1] + p[2];
        }
        for n in reader.read_normals().into_iter().flatten() {
            sum += n[0] + n[1] + n[2];
        }
        for j in reader.read_joints(0).into_iter().flat_map(|j| j.into_u16()) {
            sum += f32::from(j[0]);
        }
        for w in reader.read_weights(0).into_iter().flat_map(|w| w.into_f32()) {
            sum += w[0] + w[1] + w[2] + w[3];
        }
        for i in reader.read_indices().into_iter().flat_map(|i| i.into_u32()) {
            sum += i as f32;
        }
    }
    for channel in parsed.animations().flat_map(|clip| clip.channels().collect::<Vec<_>>()) {
        let reader = channel.reader(|_| Some(&blob));
        sum += reader.read_inputs().into_iter().flatten().sum::<f32>();
    }
    black_box(sum);
    vertices
}
