//! One view: the body, the skeleton over it, the marks of the findings and their labels.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use glam::DVec3;

use super::labels::{Slot, place};
use super::layout::Panel;
use super::marks::Mark;
use super::outline::Loop;
use super::skeleton::{Dot, Kind};
use super::svg::{BLUE, BODY, BOOK, INK, LINE, PAPER, SOFT, Svg, Type, VERMILLION, YELLOW, fine, n};
use super::text::{escaped, fitted, shown};
use crate::report::Severity;

/// Joints up to this number are elements of their own, with their names; beyond it they are dots of one line.
const MOST_NAMED: usize = 400;
/// Dots and lines of one view.
const MOST_DOTS: usize = 6_000;
/// Half the size of a mark.
pub(super) const MARK: f64 = 5.0;
/// The longest name in a title that a pointer shows.
const TITLE: usize = 80;

/// Everything that a view shows.
pub(super) struct Scene<'a> {
    pub(super) dots: &'a [Dot],
    pub(super) marks: &'a [Mark<'a>],
    /// What is drawn lies in here.
    pub(super) low: DVec3,
    pub(super) high: DVec3,
}

impl Scene<'_> {
    /// A point, moved to the edge of the frame where it lies beyond.
    fn held(&self, point: DVec3) -> DVec3 {
        point.clamp(self.low, self.high)
    }

    /// Whether a point lies in the frame.
    pub(super) fn holds(&self, point: DVec3) -> bool {
        point == self.held(point)
    }
}

pub(super) fn draw(svg: &mut Svg, panel: &Panel, scene: &Scene<'_>, outline: &[Loop]) {
    let [x, y] = panel.at(DVec3::ZERO);
    svg.open(&format!(
        "data-view=\"{}\" data-right=\"{}\" data-up=\"{}\" data-scale=\"{}\" data-origin=\"{} {}\"",
        panel.view.word(),
        panel.axes.right.key(),
        panel.axes.up.key(),
        exact(panel.scale),
        exact(x),
        exact(y)
    ));
    heading(svg, panel);
    body(svg, panel, outline);
    datum_lines(svg, panel, scene);
    lines(svg, panel, scene);
    dots(svg, panel, scene);
    marks(svg, panel, scene);
    svg.close();
}

/// As many digits as a program needs.
fn exact(value: f64) -> String {
    format!("{}", crate::finding::round(value))
}

pub(super) fn heading(svg: &mut Svg, panel: &Panel) {
    let [x, y] = panel.heading();
    let _ = writeln!(
        svg.0,
        "<text x=\"{}\" y=\"{}\" font-size=\"14\" font-family=\"{BOOK}\" font-style=\"italic\" \
         text-anchor=\"middle\">{}</text>",
        n(x),
        n(y),
        panel.view.title()
    );
    // The axes: two arrows with their names, below the lower left corner.
    let (left, low) = (panel.x, panel.columns.bottom + 26.0);
    svg.open(&format!("stroke=\"{SOFT}\" stroke-width=\"0.8\" fill=\"none\""));
    svg.path(
        &format!("M{0} {1}h17m-4 -2.5l4 2.5l-4 2.5M{0} {1}v-17m-2.5 4l2.5 -4l2.5 4", n(left), n(low)),
        "stroke-linejoin=\"round\"",
    );
    svg.close();
    let soft = Type::soft(9.5);
    svg.text(left + 20.0, low + 3.2, soft, panel.axes.right.name());
    svg.text(left + 5.5, low - 10.5, soft, panel.axes.up.name());
    let sideways = panel.axes.right.index == 2;
    let (first, last) = if sideways { ("front", "back") } else { ("its right", "its left") };
    if panel.width > 2.0 * (soft.width(last) + 42.0) {
        svg.text(left + 46.0, low + 3.2, soft, first);
        svg.text(panel.x + panel.width, low + 3.2, soft.anchored("end"), last);
    }
}

pub(super) fn body(svg: &mut Svg, panel: &Panel, outline: &[Loop]) {
    if outline.is_empty() {
        return;
    }
    let mut d = String::new();
    for line in outline {
        for (index, point) in line.iter().enumerate() {
            let x = panel.x + (point[0] - panel.low[0]) * panel.scale;
            let y = panel.y + panel.height - (point[1] - panel.low[1]) * panel.scale;
            let _ = write!(d, "{}{} {}", if index == 0 { "M" } else { "L" }, n(x), n(y));
        }
        d.push('Z');
    }
    svg.path(
        &d,
        &format!(
            "data-part=\"body\" fill=\"{BODY}\" fill-rule=\"evenodd\" stroke=\"{SOFT}\" stroke-width=\"0.9\" \
             stroke-linejoin=\"round\""
        ),
    );
}

/// The ground (y = 0) and the mid-plane (x = 0), where they pass through the frame.
fn datum_lines(svg: &mut Svg, panel: &Panel, scene: &Scene<'_>) {
    let origin = panel.at(DVec3::ZERO);
    if panel.axes.up.index == 1 && ground(scene) {
        let (from, to) = (panel.x - 6.0, panel.x + panel.width + 6.0);
        svg.line([from, origin[1]], [to, origin[1]], &format!("stroke=\"{SOFT}\" stroke-width=\"0.7\""));
    }
    if middle(scene) {
        let dashes = format!("stroke=\"{LINE}\" stroke-width=\"0.8\" stroke-dasharray=\"12 3 2 3\"");
        if panel.axes.right.index == 0 {
            let (from, to) = (panel.y - 5.0, panel.y + panel.height + 5.0);
            svg.line([origin[0], from], [origin[0], to], &dashes);
        } else if panel.axes.up.index == 0 {
            let (from, to) = (panel.x - 5.0, panel.x + panel.width + 5.0);
            svg.line([from, origin[1]], [to, origin[1]], &dashes);
        }
    }
}

/// Whether the ground is drawn.
pub(super) fn ground(scene: &Scene<'_>) -> bool {
    scene.low.y <= 0.0 && scene.high.y >= 0.0
}

/// Whether the mid-plane is drawn.
pub(super) fn middle(scene: &Scene<'_>) -> bool {
    scene.low.x < 0.0 && scene.high.x > 0.0
}

fn lines(svg: &mut Svg, panel: &Panel, scene: &Scene<'_>) {
    let thick = radius(panel, scene) * 1.5;
    let many = scene.dots.len() > MOST_NAMED;
    let (mut solid, mut dashed, mut tips) = (String::new(), String::new(), String::new());
    let mut seen = BTreeSet::new();
    for dot in scene.dots {
        let to = panel.at(scene.held(dot.at));
        if let Some(parent) = dot.parent {
            let from = panel.at(scene.held(scene.dots[parent].at));
            let key = [from[0], from[1], to[0], to[1]].map(|v| v.round() as i64);
            let visible = key[0] != key[2] || key[1] != key[3];
            if !many || (visible && seen.len() < MOST_DOTS && seen.insert(key)) {
                match dot.kind {
                    Kind::Deforming if many => stroke(&mut solid, from, to),
                    Kind::Deforming => taper(&mut solid, from, to, thick),
                    _ => stroke(&mut dashed, from, to),
                }
            }
        }
        if let Some(tip) = dot.tip.filter(|_| !many) {
            stroke(&mut tips, to, panel.at(scene.held(tip)));
        }
    }
    let solid_style = if many {
        format!("data-lines=\"deforming\" stroke=\"{INK}\" stroke-width=\"0.8\" fill=\"none\"")
    } else {
        format!("data-lines=\"deforming\" fill=\"{INK}\"")
    };
    let thin = format!("stroke=\"{INK}\" stroke-width=\"0.8\" fill=\"none\"");
    for (d, style) in [
        (solid, solid_style),
        (dashed, format!("data-lines=\"other\" {thin} stroke-dasharray=\"3 2\"")),
        (tips, format!("data-lines=\"tips\" {thin} stroke-linecap=\"round\"")),
    ] {
        if !d.is_empty() {
            svg.path(&d, &style);
        }
    }
}

fn stroke(d: &mut String, from: [f64; 2], to: [f64; 2]) {
    let _ = write!(d, "M{} {}L{} {}", n(from[0]), n(from[1]), n(to[0]), n(to[1]));
}

/// A stroke that begins at the parent and runs thin, as a pen draws it.
fn taper(d: &mut String, from: [f64; 2], to: [f64; 2], most: f64) {
    let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
    let length = dx.hypot(dy);
    if length < 0.05 {
        return;
    }
    let across = |width: f64| [-dy / length * width / 2.0, dx / length * width / 2.0];
    let (wide, thin) = (across((0.1 * length).clamp(1.1, most.max(1.1))), across(0.7));
    let _ = write!(
        d,
        "M{} {}L{} {}L{} {}L{} {}Z",
        n(from[0] + wide[0]),
        n(from[1] + wide[1]),
        n(to[0] + thin[0]),
        n(to[1] + thin[1]),
        n(to[0] - thin[0]),
        n(to[1] - thin[1]),
        n(from[0] - wide[0]),
        n(from[1] - wide[1])
    );
}

/// Of a joint: larger where joints lie far apart.
fn radius(panel: &Panel, scene: &Scene<'_>) -> f64 {
    let mut lengths: Vec<f64> = scene
        .dots
        .iter()
        .filter_map(|dot| Some((dot.at - scene.dots[dot.parent?].at).length() * panel.scale))
        .filter(|length| length.is_finite())
        .collect();
    if lengths.is_empty() {
        return 2.4;
    }
    let middle = lengths.len() / 2;
    let median = *lengths.select_nth_unstable_by(middle, f64::total_cmp).1;
    (0.16 * median).clamp(1.2, 2.6)
}

fn dots(svg: &mut Svg, panel: &Panel, scene: &Scene<'_>) {
    let radius = radius(panel, scene);
    for kind in [Kind::Carrying, Kind::Control, Kind::Node, Kind::Deforming] {
        let of_it = || scene.dots.iter().filter(|dot| dot.kind == kind);
        if of_it().next().is_none() {
            continue;
        }
        if scene.dots.len() > MOST_NAMED {
            crowd(svg, panel, scene, kind, of_it());
            continue;
        }
        svg.open(&format!("data-kind=\"{}\" {}", kind.word(), dot_style(kind)));
        for dot in of_it() {
            let beyond = !scene.holds(dot.at);
            let [x, y] = panel.at(scene.held(dot.at));
            let number = if kind == Kind::Node { "data-node" } else { "data-joint" };
            let out = if beyond { " data-beyond=\"\"" } else { "" };
            let name: String = shown(&dot.name).chars().take(TITLE).collect();
            let title =
                if name.is_empty() { String::new() } else { format!("<title>{}</title>", escaped(&name)) };
            let _ = write!(
                svg.0,
                "<g {number}=\"{}\" data-at=\"{} {}\"{out}>{title}",
                dot.number,
                fine(x),
                fine(y)
            );
            if beyond {
                svg.raw(&arrow([x, y], panel));
            } else {
                svg.raw(&dot_shape(kind, x, y, radius));
                if dot.root {
                    svg.raw(&ring(x, y, radius));
                }
            }
            svg.raw("</g>\n");
        }
        svg.close();
    }
}

/// Too many joints to tell apart: dots of one line each kind, one for each unit of the paper.
fn crowd<'a>(
    svg: &mut Svg,
    panel: &Panel,
    scene: &Scene<'_>,
    kind: Kind,
    dots: impl Iterator<Item = &'a Dot>,
) {
    let mut seen = BTreeSet::new();
    let mut d = String::new();
    for dot in dots {
        let [x, y] = panel.at(scene.held(dot.at));
        if seen.len() < MOST_DOTS && seen.insert((x.round() as i64, y.round() as i64)) {
            let _ = write!(d, "M{} {}h0", n(x), n(y));
        }
    }
    let ink = if kind == Kind::Deforming { INK } else { SOFT };
    let style = format!(
        "data-kind=\"{}\" stroke=\"{ink}\" stroke-width=\"2.2\" stroke-linecap=\"round\"",
        kind.word()
    );
    svg.path(&d, &style);
}

pub(super) fn dot_style(kind: Kind) -> String {
    match kind {
        Kind::Deforming => format!("fill=\"{INK}\" stroke=\"{PAPER}\" stroke-width=\"0.7\""),
        _ => format!("fill=\"{PAPER}\" stroke=\"{INK}\" stroke-width=\"0.9\""),
    }
}

pub(super) fn dot_shape(kind: Kind, x: f64, y: f64, radius: f64) -> String {
    let (x, y) = (n(x), n(y));
    match kind {
        Kind::Deforming => format!("<circle cx=\"{x}\" cy=\"{y}\" r=\"{}\"/>", n(radius)),
        Kind::Carrying => format!("<circle cx=\"{x}\" cy=\"{y}\" r=\"{}\"/>", n(radius * 0.9)),
        Kind::Control => {
            let r = n(radius * 1.35);
            format!("<path d=\"M{x} {y}m-{r} 0l{r} -{r}l{r} {r}l-{r} {r}z\"/>")
        }
        Kind::Node => {
            let (r, side) = (n(radius), n(2.0 * radius));
            format!("<path d=\"M{x} {y}m-{r} -{r}h{side}v{side}h-{side}z\"/>")
        }
    }
}

/// Around a root.
pub(super) fn ring(x: f64, y: f64, radius: f64) -> String {
    format!(
        "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"none\" stroke=\"{INK}\" stroke-width=\"0.8\"/>",
        n(x),
        n(y),
        n(radius + 2.4)
    )
}

/// At the edge, pointing out: what lies farther than the frame.
fn arrow(at: [f64; 2], panel: &Panel) -> String {
    let middle = [panel.x + panel.width / 2.0, panel.y + panel.height / 2.0];
    outward(at, [at[0] - middle[0], at[1] - middle[1]])
}

pub(super) fn outward(at: [f64; 2], towards: [f64; 2]) -> String {
    let length = towards[0].hypot(towards[1]).max(1e-9);
    let (ux, uy) = (towards[0] / length, towards[1] / length);
    let corner = |along: f64, aside: f64| {
        format!("{} {}", n(at[0] + ux * along - uy * aside), n(at[1] + uy * along + ux * aside))
    };
    format!(
        "<path fill=\"{PAPER}\" stroke=\"{INK}\" d=\"M{}L{}L{}Z\"/>",
        corner(5.0, 0.0),
        corner(-2.0, 3.2),
        corner(-2.0, -3.2)
    )
}

fn marks(svg: &mut Svg, panel: &Panel, scene: &Scene<'_>) {
    let sites: Vec<[f64; 2]> = scene.marks.iter().map(|mark| panel.at(scene.held(mark.at))).collect();
    let slots = place(&sites, &panel.columns);
    for (halo, style) in [(true, PAPER), (false, INK)] {
        let mut d = String::new();
        for (slot, site) in slots.iter().zip(&sites) {
            if let Some(slot) = slot {
                let port = [if slot.right { panel.columns.right } else { panel.columns.left }, slot.y];
                stroke(&mut d, port, *site);
            }
        }
        if !d.is_empty() {
            let name = if halo { "" } else { " data-part=\"leads\"" };
            let (width, fade) = if halo { ("2.4", " stroke-opacity=\"0.75\"") } else { ("0.6", "") };
            svg.path(&d, &format!("stroke=\"{style}\" stroke-width=\"{width}\" fill=\"none\"{fade}{name}"));
        }
    }
    // The worst last, so that it lies on top.
    for (index, (mark, site)) in scene.marks.iter().zip(&sites).enumerate().rev() {
        let [x, y] = *site;
        let _ = write!(
            svg.0,
            "<g data-mark=\"{}\" data-severity=\"{}\" data-at=\"{} {}\">",
            index + 1,
            mark.severity().word(),
            fine(x),
            fine(y)
        );
        svg.raw(&glyph(mark.severity(), x, y, MARK));
        svg.raw("</g>\n");
    }
    for (index, (mark, slot)) in scene.marks.iter().zip(&slots).enumerate() {
        if let Some(slot) = slot {
            label(svg, panel, index + 1, mark, *slot);
        }
    }
}

/// Letters of a label.
pub(super) const LABEL: Type = Type::plain(11.5);
/// Its number.
pub(super) const NUMBER: Type = Type::plain(11.5).bold();
/// From the edge of a label to its number: the sign of its severity.
const SIGN: f64 = 15.0;
/// Between number and name.
const SPACE: f64 = 5.0;
/// The widest name in a label.
pub(super) const NAME: f64 = 96.0;

/// Width of a label with its name.
pub(super) fn label_width(number: usize, name: &str) -> f64 {
    SIGN + NUMBER.width(&number.to_string()) + SPACE + LABEL.width(name) + 1.0
}

fn label(svg: &mut Svg, panel: &Panel, number: usize, mark: &Mark<'_>, slot: Slot) {
    let digits = number.to_string();
    let room = panel.outer[1] - panel.columns.right;
    let rest = room - SIGN - NUMBER.width(&digits) - SPACE - 1.0;
    let name = if panel.named { fitted(&mark.name, LABEL.size, rest.min(NAME)) } else { String::new() };
    let bare = SIGN + NUMBER.width(&digits) + 1.0;
    let width = if name.is_empty() { bare } else { label_width(number, &name) };
    // The sign stands next to the line on either side.
    let inner = if slot.right { panel.columns.right } else { panel.columns.left };
    let start = if slot.right { inner } else { inner - width };
    let _ = write!(
        svg.0,
        "<g data-label=\"{number}\"><rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"15\" fill=\"none\"/>",
        n(start),
        n(slot.y - 7.5),
        n(width)
    );
    let base = slot.y + 4.0;
    if slot.right {
        svg.raw(&glyph(mark.severity(), inner + 6.5, slot.y, MARK - 0.5));
        svg.text(inner + SIGN, base, NUMBER, &digits);
        svg.text(inner + SIGN + NUMBER.width(&digits) + SPACE, base, LABEL, &name);
    } else {
        svg.raw(&glyph(mark.severity(), inner - 6.5, slot.y, MARK - 0.5));
        svg.text(inner - SIGN, base, NUMBER.anchored("end"), &digits);
        svg.text(inner - SIGN - NUMBER.width(&digits) - SPACE, base, LABEL.anchored("end"), &name);
    }
    svg.raw("</g>\n");
}

/// The sign of a severity, told by shape, filling and colour: a solid square with a cross, a triangle with a dot, an
/// open circle.
pub(super) fn glyph(severity: Severity, x: f64, y: f64, half: f64) -> String {
    match severity {
        Severity::Error => {
            let (side, arm) = (half * 0.92, half * 0.45);
            format!(
                "<path d=\"M{0} {1}h{2}v{2}h-{2}z\" fill=\"{VERMILLION}\" stroke=\"{INK}\" stroke-width=\"0.8\"/>\
                 <path d=\"M{3} {4}l{5} {5}m0 -{5}l-{5} {5}\" stroke=\"{PAPER}\" stroke-width=\"1.3\" fill=\"none\"/>",
                n(x - side),
                n(y - side),
                n(2.0 * side),
                n(x - arm),
                n(y - arm),
                n(2.0 * arm)
            )
        }
        Severity::Warning => {
            let (wide, tall) = (half * 1.15, half * 1.9);
            format!(
                "<path d=\"M{} {}l{} {}h-{}z\" fill=\"{YELLOW}\" stroke=\"{INK}\" stroke-width=\"0.8\" \
                 stroke-linejoin=\"round\"/><circle cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{INK}\"/>",
                n(x),
                n(y - half * 1.1),
                n(wide),
                n(tall),
                n(2.0 * wide),
                n(x),
                n(y + half * 0.2),
                n(half * 0.24)
            )
        }
        Severity::Note => format!(
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{PAPER}\" stroke=\"{BLUE}\" stroke-width=\"1.7\"/>",
            n(x),
            n(y),
            n(half * 0.82)
        ),
    }
}
