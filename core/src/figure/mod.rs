//! A figure of a rig: the skeleton over the outline of its body, from the front, the left side and the top, with the
//! findings of a report marked, as SVG.
//!
//! A sheet for a review, on a screen or printed, in colour or not: severities differ in shape, filling and colour, every
//! mark has a number, and the key below has every number. One unit of the SVG is a CSS pixel (1/96 inch); all views have one scale,
//! which the bar states. Joints stand where the file's rest pose (a plan: the plan) puts them; of a glTF the body is
//! skinned to that pose, the body of a plan stands as it was bound.
//!
//! For programs: each view is a group with `data-view`, `data-right`, `data-up` (the axes of the rig on the paper),
//! `data-scale` (units per metre) and `data-origin` (where the rig's origin lies); joints have `data-joint` and `data-at`,
//! marks `data-mark`, labels `data-label`, entries of the key `data-key` with the fingerprints in `data-findings`.
//!
//! The bytes are a pure function of rig, title, report and options, and bounded whatever the rig: outlines, dots, places
//! and lines of the key have limits, and what a limit leaves out is counted on the sheet.

mod body;
mod draw;
mod labels;
mod layout;
mod legend;
mod marks;
mod outline;
mod raster;
mod skeleton;
mod svg;
mod text;
mod view;
mod winners;

use std::collections::BTreeMap;

use glam::DVec3;
use rayon::prelude::*;

pub use marks::MOST_PLACES;
pub use view::View;
pub use winners::winners;

use crate::facts::Facts;
use crate::model::Rig;
use crate::report::{Report, Severity, Verdict};
use body::Shape;
use draw::Scene;
use layout::{MARGIN, layout};
use legend::{counted, extents, unmarked};
use marks::Marks;
use outline::Loop;
use skeleton::Skeleton;
use svg::{INK, LINE, PAPER, PLAIN, Svg, Type};

/// Raised whenever the same rig and report give another drawing: stored tags depend on it.
pub const FORM: u32 = 1;
/// The narrowest and the widest paper, CSS pixels.
pub const WIDTHS: [u32; 2] = [480, 2_400];

/// How far beyond the body, in fractions of its largest extent, a joint widens the frame; farther ones stand at its edge.
const REACH: f64 = 0.25;
/// Air around what is drawn, as a fraction of its largest extent.
const AIR: f64 = 0.02;
/// The height of the title.
const HEAD: f64 = 66.0;
/// A cell of the silhouette, units of the paper.
const CELL: f64 = 0.5;
/// Cells along the longer side of a view.
const MOST_CELLS: f64 = 1_600.0;

/// What to draw.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// The views; the order does not matter.
    pub views: Vec<View>,
    /// The mildest severity that is marked; `None` marks nothing.
    pub findings: Option<Severity>,
    /// The width of the paper, CSS pixels, within [`WIDTHS`].
    pub width: u32,
}

impl Default for Options {
    fn default() -> Self {
        Self { views: View::ALL.to_vec(), findings: Some(Severity::Note), width: 1_000 }
    }
}

/// A figure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// The document, beginning with `<svg`.
    pub svg: String,
    /// The number that each drawn finding has, by fingerprint.
    pub numbers: BTreeMap<String, u32>,
}

/// Draws a rig; with a report, its findings too.
pub fn figure(rig: &Rig, title: &str, report: Option<&Report>, options: &Options) -> Figure {
    draw_facts(&Facts::new(rig), title, report, options)
}

/// The same from facts that are there already.
pub fn draw_facts(facts: &Facts<'_>, title: &str, report: Option<&Report>, options: &Options) -> Figure {
    let shape = Shape::new(facts);
    let skeleton = Skeleton::new(facts);
    let marks = match (report, options.findings) {
        (Some(report), Some(least)) => marks::marks(facts, report, least),
        _ => Marks::default(),
    };
    let bounds = shape.bounds();
    let frame = frame(bounds, &skeleton, &marks);
    let paper = f64::from(options.width.clamp(WIDTHS[0], WIDTHS[1]));
    let mut views = options.views.clone();
    views.sort_unstable();
    views.dedup();
    let (low, high) = frame.unwrap_or((DVec3::ZERO, DVec3::ONE));
    let scene = Scene { dots: &skeleton.dots, marks: &marks.places, low, high };
    let widest = widest(&marks);
    let layout = layout(&views, paper, HEAD, (low, high), marks.places.len(), widest);
    let outlines: Vec<Vec<Loop>> = layout
        .panels
        .par_iter()
        .map(|panel| {
            let frame = panel.axes.frame(low, high);
            let longer = panel.width.max(panel.height);
            let cell = CELL.max(longer / MOST_CELLS) / panel.scale;
            if shape.triangles.is_empty() {
                return Vec::new();
            }
            let point = |corner: u32| panel.axes.of(shape.points[corner as usize]);
            let grid = raster::rasterise(frame, cell, &shape.triangles, point);
            outline::trace(&grid, 0.8 * grid.cell, 1.5 / panel.scale)
        })
        .collect();
    let mut svg = Svg::default();
    head(&mut svg, paper, title, report, bounds.map(|(low, high)| high - low), facts);
    let mut bottom = layout.bottom;
    if frame.is_some() {
        for (panel, outline) in layout.panels.iter().zip(&outlines) {
            draw::draw(&mut svg, panel, &scene, outline);
        }
        bottom = legend::legend(&mut svg, paper, bottom + 2.0, layout.scale, &scene, bounds.is_some());
        bottom = legend::key(&mut svg, paper, bottom + 4.0, &marks);
    } else {
        bottom = HEAD + 16.0;
        svg.text(
            MARGIN,
            HEAD + 8.0,
            Type::plain(12.0),
            "There is nothing to draw: no joint and no triangle is at a finite place.",
        );
    }
    let mut remarks =
        report.filter(|_| options.findings.is_some()).map_or(Vec::new(), |r| unmarked(&marks, r));
    remarks.extend(undrawn(&shape, &skeleton, &scene));
    if !remarks.is_empty() {
        bottom = legend::remarks(&mut svg, paper, bottom, &remarks);
    }
    let numbered = marks.places.iter().zip(1_u32..).filter(|_| frame.is_some());
    let numbers = numbered
        .flat_map(|(mark, number)| {
            let all = mark.lines.iter().flat_map(|line| &line.fingerprints);
            all.map(move |fingerprint| ((*fingerprint).to_owned(), number))
        })
        .collect();
    Figure { svg: whole(&svg.0, paper, bottom + 10.0, title, report, &views), numbers }
}

/// The box that is drawn: the body with the joints around it; without a body the joints.
fn frame(bounds: Option<(DVec3, DVec3)>, skeleton: &Skeleton, marks: &Marks<'_>) -> Option<(DVec3, DVec3)> {
    let tips = skeleton.dots.iter().filter_map(|dot| dot.tip);
    let places = marks.places.iter().map(|mark| mark.at);
    let points = skeleton.dots.iter().map(|dot| dot.at).chain(tips).chain(places);
    let widened = |bounds: Option<(DVec3, DVec3)>, point: DVec3| match bounds {
        Some((low, high)) => Some((low.min(point), high.max(point))),
        None => Some((point, point)),
    };
    let reach = bounds.map(|(low, high)| {
        let reach = DVec3::splat(REACH * (high - low).max_element());
        (low - reach, high + reach)
    });
    let within = |point: &DVec3| reach.is_none_or(|(low, high)| *point == point.clamp(low, high));
    let (low, high) = points.filter(within).fold(bounds, widened)?;
    let extent = (high - low).max_element();
    // A single point, or one that differs by rounding: a box around it that can be drawn.
    let least = low.abs().max(high.abs()).max_element() * 1e-9;
    let air = if extent > least.max(1e-30) { AIR * extent } else { least.max(0.5) };
    let (low, high) = (low - air, high + air);
    // Flat boxes get a depth, too: a scale has to fit them.
    let thin = DVec3::splat(0.01 * (high - low).max_element());
    let lack = ((thin - (high - low)) / 2.0).max(DVec3::ZERO);
    Some((low - lack, high + lack)).filter(|(low, high)| (*high - *low).is_finite())
}

/// Of the labels with names.
fn widest(marks: &Marks<'_>) -> f64 {
    let width = |(index, mark): (usize, &marks::Mark<'_>)| {
        draw::label_width(index + 1, &text::fitted(&mark.name, draw::LABEL.size, draw::NAME))
    };
    marks.places.iter().enumerate().map(width).fold(0.0, f64::max)
}

fn head(
    svg: &mut Svg,
    paper: f64,
    title: &str,
    report: Option<&Report>,
    size: Option<DVec3>,
    facts: &Facts<'_>,
) {
    // Book faces are wider than the table of widths says: a fifth is kept free.
    let title = text::fitted(&text::shown(title), 20.0 * 1.2, paper - 2.0 * MARGIN);
    svg.heading(MARGIN, 32.0, 20.0, &title);
    let soft = Type::soft(10.5);
    let joints = facts.rig().joints.len() as u64;
    let size = size.map_or(String::new(), |size| format!(" · {}", extents(size)));
    let mut left = format!("{}{size}", counted(joints, "joint"));
    if let Some(report) = report {
        let counts = &report.counts;
        let verdict = match report.verdict {
            Verdict::Pass => "passes",
            Verdict::Warn => "passes with warnings",
            Verdict::Fail => "fails",
        };
        left = format!(
            "{verdict}: {} · {} · {} · {left} · profile {} · judged by {}",
            counted(counts.error, "error"),
            counted(counts.warning, "warning"),
            counted(counts.note, "note"),
            text::shown(&report.profile.name),
            report.as_of
        );
    }
    svg.text(MARGIN, 49.0, soft, &text::fitted(&left, soft.size, paper - 2.0 * MARGIN));
    svg.line([MARGIN, 57.0], [paper - MARGIN, 57.0], &format!("stroke=\"{LINE}\" stroke-width=\"0.8\""));
}

/// What of the rig is not in the drawing.
fn undrawn(shape: &Shape, skeleton: &Skeleton, scene: &Scene<'_>) -> Vec<String> {
    let mut out = Vec::new();
    let beyond = skeleton.dots.iter().filter(|dot| !scene.holds(dot.at)).count() as u64;
    for (count, word, why) in [
        (skeleton.nowhere, "joint", "at no finite place: not drawn"),
        (beyond, "joint", "far from the body: an arrow at the edge"),
        (shape.broken, "triangle", "with a corner at no finite place or past the vertices: not drawn"),
        (shape.left_out, "primitive", "too many triangles together: not drawn"),
    ] {
        if count > 0 {
            out.push(format!("{} {why}.", counted(count, word)));
        }
    }
    out
}

fn whole(
    body: &str,
    width: f64,
    height: f64,
    title: &str,
    report: Option<&Report>,
    views: &[View],
) -> String {
    let seen: Vec<&str> = views.iter().map(|view| view.word()).collect();
    let title = text::escaped(&text::shown(title));
    let told = report.map_or(String::new(), |report| {
        format!(
            " The report has {}, {} and {}.",
            counted(report.counts.error, "error"),
            counted(report.counts.warning, "warning"),
            counted(report.counts.note, "note")
        )
    });
    let (width, height) = (svg::n(width), svg::n(height));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {width} {height}\" role=\"img\" font-family=\"{PLAIN}\" fill=\"{INK}\">\n\
         <title>{title}: skeleton and outline</title>\n\
         <desc>The skeleton over the outline of the body ({}), to one scale, with numbered marks at the findings and \
         a key to them.{told}</desc>\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"{PAPER}\"/>\n{body}</svg>\n",
        seen.join(", ")
    )
}
