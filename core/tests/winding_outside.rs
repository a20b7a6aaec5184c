//! Inside, nearest and first hit against libigl's and trimesh's values (`tests/outside/winding.py` made the fixture).
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]

use condyle_core::body::{Solid, Soup};
use glam::DVec3;
use serde_json::Value;

fn numbers<const N: usize>(list: &Value) -> Vec<[f64; N]> {
    serde_json::from_value::<Vec<Vec<f64>>>(list.clone())
        .unwrap()
        .into_iter()
        .map(|row| row.try_into().unwrap())
        .collect()
}

#[test]
fn winding_numbers_distances_and_hits_are_those_of_other_libraries() {
    let fixture: Value = serde_json::from_str(include_str!("fixtures/winding.json")).unwrap();
    let meshes = fixture["meshes"].as_array().unwrap();
    assert_eq!(meshes.len(), 3);
    for mesh in meshes {
        let name = mesh["name"].as_str().unwrap();
        let positions: Vec<DVec3> = numbers(&mesh["vertices"]).into_iter().map(DVec3::from_array).collect();
        let triangles: Vec<[u32; 3]> =
            numbers::<3>(&mesh["faces"]).into_iter().map(|face| face.map(|index| index as u32)).collect();
        let soup = Soup { positions: &positions, triangles: &triangles };
        let solid = Solid::new(soup);
        let points = numbers::<3>(&mesh["points"]).into_iter().map(DVec3::from_array);
        let ways = numbers::<3>(&mesh["ways"]).into_iter().map(DVec3::from_array);
        let (mut inside, mut hits) = (0, 0);
        for (index, (point, way)) in points.zip(ways).enumerate() {
            // Far parts are told by two terms of a series: a thousandth here, and never on the wrong side of a half.
            let wanted = mesh["winding"][index].as_f64().unwrap();
            let found = solid.winding(soup, point);
            assert!((found - wanted).abs() < 2e-3, "{name}, {point}: winding {found}, libigl {wanted}");
            if (wanted.abs() - 0.5).abs() > 2e-3 {
                assert_eq!(solid.holds(soup, point), wanted.abs() > 0.5, "{name}, {point}");
            }
            inside += usize::from(wanted > 0.5);
            let wanted = mesh["distances"][index].as_f64().unwrap();
            let nearest = solid.nearest(soup, point, 10.0).unwrap();
            assert!(
                (nearest.distance - wanted).abs() < 1e-7,
                "{name}, {point}: {nearest:?}, trimesh {wanted}"
            );
            assert!((nearest.point.distance(point) - nearest.distance).abs() < 1e-12);
            let found = solid.first_hit(soup, point, way, 1e3);
            match (found, mesh["hits"][index].as_f64()) {
                (Some(found), Some(wanted)) => {
                    assert!((found - wanted).abs() < 1e-6, "{name}, {point}: hit {found}, trimesh {wanted}");
                    hits += 1;
                }
                (found, wanted) => assert_eq!(found, wanted, "{name}, {point} along {way}"),
            }
        }
        assert!(inside > 1 && hits > 10, "{name}: {inside} inside and {hits} hits say something");
    }
}
