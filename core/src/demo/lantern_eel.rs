//! An eel with a lure. Metres; +Y up, facing +Z, left at +X.

use glam::DVec3;

use super::layout::{Chain, Layout, flat, round};

const BACK: [f32; 3] = [0.03, 0.1, 0.13];
const FIN: [f32; 3] = [0.08, 0.3, 0.3];
const HEAD: [f32; 3] = [0.05, 0.16, 0.18];
const LIP: [f32; 3] = [0.3, 0.42, 0.38];
const TOOTH: [f32; 3] = [0.85, 0.82, 0.7];
const GLOW: [f32; 3] = [1.0, 0.85, 0.3];
const EYE: [f32; 3] = [0.9, 0.75, 0.15];

const X: DVec3 = DVec3::X;
/// Segments of the body.
const LENGTH: u8 = 14;

/// Place and radius at a share of the body's length.
fn station(share: f64) -> ([f64; 3], f64) {
    let radius = 0.092 * (1.0 - share).powf(0.75) + 0.018;
    ([0.0, 0.32 + 0.055 * (share * 7.0).sin(), 0.42 - 1.75 * share], radius)
}

pub(super) fn layout() -> Layout {
    let mut eel = Layout::new(0.03, BACK);
    let stations: Vec<_> = (0..=LENGTH).map(|n| station(f64::from(n) / f64::from(LENGTH))).collect();
    let names: Vec<String> = (1..=LENGTH).map(|n| format!("length_{n:02}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let centre = |part, kind, parent, names, stations| Chain {
        part,
        kind,
        side: "centre",
        parent,
        names,
        stations,
        bend: X,
        hinge: None,
    };
    eel.chain(&centre("length", "spine", None, &names, &stations));
    eel.blend(0.014);
    eel.paint(FIN);
    // A fin along the back, one below the tail, and a fan at its end.
    for n in 2..LENGTH {
        let ([_, y, z], radius) = station((f64::from(n) - 0.5) / f64::from(LENGTH));
        let height = 0.055 + 0.02 * (f64::from(n) * 2.2).sin();
        let name = format!("length_{n:02}");
        let up = flat(
            [0.0, y + radius * 0.7, z],
            [0.0, y + radius + height, z - 0.045],
            [0.013, 0.008],
            DVec3::Z,
            4.6,
        );
        eel.flesh(&name, &[up]);
        if n >= 7 {
            let down = flat(
                [0.0, y - radius * 0.7, z],
                [0.0, y - radius - height * 0.7, z - 0.045],
                [0.013, 0.008],
                DVec3::Z,
                4.6,
            );
            eel.flesh(&name, &[down]);
        }
    }
    let ([_, y, z], _) = station(1.0);
    for (rise, back) in [(0.10, -0.13), (0.045, -0.185), (-0.02, -0.185), (-0.08, -0.13)] {
        let fan = flat(
            [0.0, y, z + 0.03],
            [0.0, y + rise, z + back],
            [0.015, 0.008],
            DVec3::new(0.0, 1.0, 0.4),
            2.4,
        );
        eel.flesh("length_14", &[fan]);
    }
    eel.blend(0.03);
    eel.paint(HEAD);
    let head = [([0.0, 0.32, 0.42], 0.118), ([0.0, 0.345, 0.60], 0.092), ([0.0, 0.35, 0.75], 0.052)];
    eel.chain(&centre("head", "head", Some("length_01"), &["skull", "snout"], &head));
    eel.widen("head", X, 1.12);
    eel.flesh("skull", &[round([0.062, 0.405, 0.585], [0.066, 0.41, 0.60], [0.042, 0.04])]);
    eel.blend(0.012);
    eel.paint(LIP);
    eel.flesh("snout", &[flat([0.0, 0.325, 0.60], [0.0, 0.322, 0.775], [0.036, 0.026], X, 2.0)]);
    eel.chain(&centre(
        "jaw",
        "jaw",
        Some("skull"),
        &["jaw"],
        &[([0.0, 0.265, 0.47], 0.055), ([0.0, 0.19, 0.765], 0.026)],
    ));
    eel.widen("jaw", X, 1.7);
    eel.paint(TOOTH);
    eel.blend(0.005);
    for (x, z) in [(0.045, 0.70), (0.024, 0.765)] {
        let y = 0.20 + (0.765 - z) * 0.25;
        eel.flesh("jaw", &[round([x, y, z], [x * 0.95, y + 0.055, z + 0.008], [0.012, 0.005])]);
        eel.flesh("snout", &[round([x * 1.15, 0.312, z], [x * 1.15, 0.268, z + 0.012], [0.012, 0.005])]);
    }
    eel.blend(0.016);
    eel.paint(HEAD);
    let lure = [
        ([0.0, 0.42, 0.56], 0.024),
        ([0.0, 0.56, 0.60], 0.015),
        ([0.0, 0.665, 0.69], 0.012),
        ([0.0, 0.68, 0.80], 0.011),
        ([0.0, 0.635, 0.885], 0.014),
    ];
    let names = ["lure_1", "lure_2", "lure_3", "lure_4"];
    eel.chain(&centre("lure", "feeler", Some("skull"), &names, &lure));
    eel.paint(FIN);
    eel.blend(0.014);
    let fin = [([0.085, 0.30, 0.30], 0.026), ([0.20, 0.265, 0.225], 0.017), ([0.31, 0.235, 0.11], 0.009)];
    eel.twins(&Chain {
        part: "fin",
        kind: "fin",
        side: "left",
        parent: Some("length_01"),
        names: &["fin_1", "fin_2"],
        stations: &fin,
        bend: DVec3::Y,
        hinge: None,
    });
    let wide = DVec3::new(0.45, 0.0, 1.0);
    eel.flesh("fin_1_l", &[flat([0.13, 0.287, 0.255], [0.22, 0.26, 0.15], [0.014, 0.01], wide, 4.0)]);
    eel.flesh(
        "fin_2_l",
        &[
            flat([0.20, 0.265, 0.215], [0.33, 0.23, 0.13], [0.013, 0.008], wide, 2.6),
            flat([0.20, 0.265, 0.195], [0.30, 0.235, 0.055], [0.013, 0.008], wide, 2.6),
            flat([0.19, 0.267, 0.175], [0.24, 0.245, 0.02], [0.013, 0.008], wide, 2.6),
        ],
    );
    let hind = [([0.062, 0.335, -0.20], 0.02), ([0.15, 0.32, -0.31], 0.01)];
    eel.twins(&Chain {
        part: "hind_fin",
        kind: "fin",
        side: "left",
        parent: Some("length_05"),
        names: &["hind_fin"],
        stations: &hind,
        bend: DVec3::Y,
        hinge: None,
    });
    eel.flesh("hind_fin_l", &[flat([0.08, 0.332, -0.22], [0.15, 0.32, -0.33], [0.012, 0.008], wide, 3.5)]);
    eel.paint(EYE);
    let globe = [round([0.0, 0.0, 0.0], [0.002, 0.001, 0.002], [0.03, 0.03])];
    eel.piece_twins("eye", "eye_hook", "skull", [0.083, 0.415, 0.615], &globe);
    eel.paint(GLOW);
    eel.piece(
        "lamp",
        "lamp_hook",
        "lure_4",
        [0.0, 0.635, 0.885],
        &[round([0.0, 0.0, 0.0], [0.0, -0.022, 0.01], [0.038, 0.046])],
    );
    eel.control("lure_aim", "lure", "length_01", [0.0, 0.6, 1.3]);
    eel.range("jaw", -10.0..=35.0, 0.0, 0.0);
    for n in 2..LENGTH {
        eel.range(&format!("length_{n:02}"), -25.0..=25.0, 35.0, 10.0);
        eel.swing(&format!("length_{n:02}"), DVec3::Z, if n % 4 < 2 { 7.0 } else { -7.0 });
    }
    eel.swing("lure_2", X, 8.0);
    eel
}
