//! Which joint wins where: the skin of a trial bind from three sides, each place in the colour of its strongest joint, numbered,
//! with a key.
//!
//! Joints whose skin meets differ in colour for every kind of colour vision ([`crate::bind::PALETTE`]); where colours come round
//! again, the numbers tell. Pieces are grey. Everything is bounded: cells, regions, points of their outlines, entries of the key.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use glam::DVec3;

use super::draw;
use super::layout::{MARGIN, Panel, layout};
use super::legend::{self, bar, counted, length};
use super::outline::{Loop, trace};
use super::raster::{Grid, rasterise};
use super::svg::{INK, LINE, PAPER, PLAIN, Svg, Type, n};
use super::text::{escaped, fitted, shown};
use super::view::{Axes, Axis};
use super::{AIR, CELL, MOST_CELLS, Options, WIDTHS};
use crate::bind::{TrialBind, Winners};
use crate::check::Labels;
use crate::facts::Facts;

/// The height of the title.
const HEAD: f64 = 66.0;
/// Cells that triangles of one view may touch; a heap of large triangles is drawn on fewer cells.
const MOST_TOUCHED: f64 = 2e8;
/// Cells along the longer side at the least.
const LEAST_CELLS: f64 = 16.0;
/// Regions of one view.
const MOST_REGIONS: usize = 256;
/// Cells of all regions' boxes in one view.
const MOST_BOXES: usize = 100_000_000;
/// Points of all outlines in one view.
const MOST_POINTS: usize = 60_000;
/// Joints in the key.
const MOST_LISTED: usize = 120;
/// A region with less room than this around its middle, units of the paper, has no number.
const ROOM: f64 = 6.5;
/// No cell.
const NOBODY: u32 = u32::MAX;

/// Draws where each joint of a trial bind wins; nothing where there is no bind. Of the options the views and the width count.
pub fn winners(facts: &Facts<'_>, title: &str, options: &Options) -> Option<String> {
    let bind = facts.trial_bind().ok()?;
    let surface = facts.surface();
    let corners = surface.triangles.iter().flatten().map(|vertex| surface.positions[*vertex as usize]);
    let (low, high) = corners
        .fold((DVec3::INFINITY, DVec3::NEG_INFINITY), |(low, high), point| (low.min(point), high.max(point)));
    let air = AIR * (high - low).max_element();
    let (low, high) = (low - air, high + air);
    let paper = f64::from(options.width.clamp(WIDTHS[0], WIDTHS[1]));
    let mut views = options.views.clone();
    views.sort_unstable();
    views.dedup();
    let layout = layout(&views, paper, HEAD, (low, high), 0, 0.0);
    let colours = Winners::new(bind);
    let owned = bind.owned();
    // Numbers by how much a joint wins.
    let mut order: Vec<usize> = (0..bind.joints.len()).filter(|slot| owned[*slot] > 0.0).collect();
    order.sort_by(|a, b| owned[*b].total_cmp(&owned[*a]).then(a.cmp(b)));
    let mut numbers = vec![0_usize; bind.joints.len()];
    for (number, slot) in order.iter().enumerate() {
        numbers[*slot] = number + 1;
    }
    let labels = Labels::new(facts.rig());
    let name = |slot: usize| shown(labels.joint(bind.joints[slot]));
    let mut svg = Svg::default();
    head(&mut svg, paper, title, bind, order.len());
    for panel in &layout.panels {
        svg.open(&format!(
            "data-view=\"{}\" data-right=\"{}\" data-up=\"{}\"",
            panel.view.word(),
            panel.axes.right.key(),
            panel.axes.up.key()
        ));
        draw::heading(&mut svg, panel);
        let frame = panel.axes.frame(low, high);
        let cell = CELL.max(panel.width.max(panel.height) / MOST_CELLS) / panel.scale;
        let point = |vertex: u32| panel.axes.of(surface.positions[vertex as usize]);
        let grid = rasterise(frame, cell, &surface.triangles, point);
        draw::body(&mut svg, panel, &trace(&grid, 0.8 * grid.cell, 1.5 / panel.scale));
        for region in regions(bind, panel.axes, frame, cell, panel.scale) {
            let slot = region.slot as usize;
            let d = path(panel, &region.lines);
            svg.path(
                &d,
                &format!(
                    "data-joint=\"{}\" data-number=\"{}\" fill=\"{}\" fill-rule=\"evenodd\" stroke=\"{PAPER}\" \
                     stroke-width=\"0.7\" stroke-linejoin=\"round\"",
                    escaped(&name(slot)),
                    numbers[slot],
                    colours.css(region.slot)
                ),
            );
            if let Some([x, y]) = region.middle {
                let [x, y] = place(panel, [x, y]);
                let _ = writeln!(
                    svg.0,
                    "<text x=\"{}\" y=\"{}\" font-size=\"10\" font-weight=\"bold\" text-anchor=\"middle\" \
                     stroke=\"{PAPER}\" stroke-width=\"2.6\" stroke-linejoin=\"round\" paint-order=\"stroke\">{}</text>",
                    n(x),
                    n(y + 3.6),
                    numbers[slot]
                );
            }
        }
        svg.close();
    }
    let mut bottom = scale(&mut svg, paper, layout.bottom + 2.0, layout.scale, bind);
    bottom = key(&mut svg, paper, bottom, &order, |number, slot| Entry {
        number,
        colour: colours.css(slot as u32),
        name: name(slot),
        share: owned[slot] / bind.graph.area,
    });
    Some(whole(&svg.0, paper, bottom + 10.0, title))
}

fn head(svg: &mut Svg, paper: f64, title: &str, bind: &TrialBind, winning: usize) {
    let title = fitted(&shown(title), 20.0 * 1.2, paper - 2.0 * MARGIN);
    svg.heading(MARGIN, 32.0, 20.0, &title);
    let soft = Type::soft(10.5);
    let reduced = bind.reduced.as_ref().map_or(String::new(), |reduced| format!(" of {}", reduced.points));
    let left = format!(
        "trial bind: the strongest joint of each place · {} with skin, {} without · {}{reduced} points · confidence {:.2}",
        counted(winning as u64, "joint"),
        bind.joints.len() - winning,
        bind.graph.points.len(),
        bind.confidence()
    );
    svg.text(MARGIN, 49.0, soft, &fitted(&left, soft.size, paper - 2.0 * MARGIN));
    svg.line([MARGIN, 57.0], [paper - MARGIN, 57.0], &format!("stroke=\"{LINE}\" stroke-width=\"0.8\""));
}

/// What a joint wins in one view.
struct Region {
    slot: u32,
    lines: Vec<Loop>,
    /// Where its number stands, if there is room; metres on the paper.
    middle: Option<[f64; 2]>,
}

/// The regions of a view, the largest first.
fn regions(bind: &TrialBind, axes: Axes, frame: ([f64; 2], [f64; 2]), cell: f64, scale: f64) -> Vec<Region> {
    let cells = Cells::new(bind, axes, frame, cell);
    let mut boxes: BTreeMap<u32, (usize, [usize; 4])> = BTreeMap::new();
    for (at, slot) in cells.slots.iter().enumerate().filter(|(_, slot)| **slot != NOBODY) {
        let (column, row) = (at % cells.columns, at / cells.columns);
        let one = boxes.entry(*slot).or_insert((0, [column, row, column, row]));
        one.0 += 1;
        one.1 = [one.1[0].min(column), one.1[1].min(row), one.1[2].max(column), one.1[3].max(row)];
    }
    let mut order: Vec<(u32, usize, [usize; 4])> =
        boxes.into_iter().map(|(slot, (count, sides))| (slot, count, sides)).collect();
    order.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    let (mut boxes_left, mut points_left) = (MOST_BOXES, MOST_POINTS);
    let mut out = Vec::new();
    for (slot, _, [left, low, right, high]) in order.into_iter().take(MOST_REGIONS) {
        // A cell of air on every side, so that every outline is closed.
        let (columns, rows) = (right - left + 3, high - low + 3);
        if columns * rows > boxes_left {
            continue;
        }
        boxes_left -= columns * rows;
        let mut filled = vec![false; columns * rows];
        for row in low..=high {
            for column in left..=right {
                let at = (row - low + 1) * columns + column - left + 1;
                filled[at] = cells.slots[row * cells.columns + column] == slot;
            }
        }
        let corner = |axis: usize, first: usize| cells.low[axis] + (first as f64 - 1.0) * cells.cell;
        let grid = Grid { columns, rows, cell: cells.cell, low: [corner(0, left), corner(1, low)], filled };
        let lines = trace(&grid, 0.6 * grid.cell, 1.5 / scale);
        let points: usize = lines.iter().map(Vec::len).sum();
        if points > points_left {
            continue;
        }
        points_left -= points;
        out.push(Region { slot, lines, middle: middle(&grid, ROOM / (scale * cells.cell)) });
    }
    out
}

/// Who wins each cell of a view: of what lies behind one another the foremost.
struct Cells {
    columns: usize,
    cell: f64,
    low: [f64; 2],
    slots: Vec<u32>,
}

impl Cells {
    fn new(bind: &TrialBind, axes: Axes, (low, high): ([f64; 2], [f64; 2]), cell: f64) -> Self {
        let reader = unit(axes.right).cross(unit(axes.up));
        let flat = |point: u32| {
            let at = bind.graph.points[point as usize];
            let [x, y] = axes.of(at);
            [x, y, at.dot(reader)]
        };
        let touched: f64 = bind
            .graph
            .triangles
            .iter()
            .map(|corners| {
                let [a, b, c] = corners.map(flat);
                let side = |axis: usize| {
                    let most = a[axis].max(b[axis]).max(c[axis]);
                    ((most - a[axis].min(b[axis]).min(c[axis])) / cell).ceil() + 1.0
                };
                side(0) * side(1)
            })
            .sum();
        let extent = (high[0] - low[0]).max(high[1] - low[1]);
        let cell = cell * (touched / MOST_TOUCHED).sqrt().clamp(1.0, (extent / cell / LEAST_CELLS).max(1.0));
        let count = |axis: usize| ((high[axis] - low[axis]) / cell).ceil() as usize + 1;
        let (columns, rows) = (count(0), count(1));
        let mut this = Self { columns, cell, low, slots: vec![NOBODY; columns * rows] };
        let mut depth = vec![f64::NEG_INFINITY; columns * rows];
        for corners in &bind.graph.triangles {
            let slots = corners.map(|point| bind.rows[point as usize].dominant().unwrap_or(NOBODY));
            this.paint(corners.map(flat), slots, &mut depth);
        }
        this
    }

    fn paint(&mut self, corners: [[f64; 3]; 3], slots: [u32; 3], depth: &mut [f64]) {
        let [a, b, c] =
            corners.map(|p| [(p[0] - self.low[0]) / self.cell, (p[1] - self.low[1]) / self.cell, p[2]]);
        let double = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]);
        if double == 0.0 || !double.is_finite() {
            return;
        }
        let rows = self.slots.len() / self.columns;
        let range = |axis: usize, most: usize| {
            let first = a[axis].min(b[axis]).min(c[axis]) - 0.5;
            let last = a[axis].max(b[axis]).max(c[axis]) - 0.5;
            (first.ceil().max(0.0) as usize, ((last.floor() + 1.0).max(0.0) as usize).min(most))
        };
        let ((left, right), (lowest, highest)) = (range(0, self.columns), range(1, rows));
        for row in lowest..highest {
            let y = row as f64 + 0.5;
            for column in left..right {
                let x = column as f64 + 0.5;
                let second = ((x - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (y - a[1])) / double;
                let third = ((b[0] - a[0]) * (y - a[1]) - (x - a[0]) * (b[1] - a[1])) / double;
                let first = 1.0 - second - third;
                if first < 0.0 || second < 0.0 || third < 0.0 {
                    continue;
                }
                let near = first * a[2] + second * b[2] + third * c[2];
                let at = row * self.columns + column;
                if near > depth[at] {
                    depth[at] = near;
                    let most = first.max(second).max(third);
                    self.slots[at] = if first == most {
                        slots[0]
                    } else if second == most {
                        slots[1]
                    } else {
                        slots[2]
                    };
                }
            }
        }
    }
}

fn unit(axis: Axis) -> DVec3 {
    let mut vector = [0.0; 3];
    vector[axis.index] = if axis.negative { -1.0 } else { 1.0 };
    DVec3::from_array(vector)
}

/// The cell that is farthest from the border, if that is at least `room` cells; metres on the paper.
fn middle(grid: &Grid, room: f64) -> Option<[f64; 2]> {
    let (columns, rows) = (grid.columns, grid.rows);
    let mut apart = vec![0_u32; columns * rows];
    // Steps of 3 along a row and 4 across (Borgefors 1986), there and back.
    let relax = |apart: &mut [u32], at: usize, others: [(usize, u32); 4]| {
        let nearest = others.into_iter().map(|(other, step)| apart[other].saturating_add(step)).min();
        apart[at] = apart[at].min(nearest.unwrap_or(u32::MAX));
    };
    for (at, filled) in grid.filled.iter().enumerate() {
        apart[at] = if *filled { u32::MAX } else { 0 };
    }
    for row in 1..rows - 1 {
        for column in 1..columns - 1 {
            let at = row * columns + column;
            relax(
                &mut apart,
                at,
                [(at - 1, 3), (at - columns - 1, 4), (at - columns, 3), (at - columns + 1, 4)],
            );
        }
    }
    for row in (1..rows - 1).rev() {
        for column in (1..columns - 1).rev() {
            let at = row * columns + column;
            relax(
                &mut apart,
                at,
                [(at + 1, 3), (at + columns + 1, 4), (at + columns, 3), (at + columns - 1, 4)],
            );
        }
    }
    let (at, most) = apart.iter().enumerate().max_by(|a, b| a.1.cmp(b.1).then(b.0.cmp(&a.0)))?;
    let (column, row) = (at % columns, at / columns);
    let spot = [column, row].map(|cells| (cells as f64 + 0.5) * grid.cell);
    (f64::from(*most) / 3.0 >= room).then(|| [grid.low[0] + spot[0], grid.low[1] + spot[1]])
}

/// A place of a view on the paper.
fn place(panel: &Panel, [right, up]: [f64; 2]) -> [f64; 2] {
    let x = panel.x + (right - panel.low[0]) * panel.scale;
    [x, panel.y + panel.height - (up - panel.low[1]) * panel.scale]
}

fn path(panel: &Panel, lines: &[Loop]) -> String {
    let mut d = String::new();
    for line in lines {
        for (index, point) in line.iter().enumerate() {
            let [x, y] = place(panel, *point);
            let _ = write!(d, "{}{} {}", if index == 0 { "M" } else { "L" }, n(x), n(y));
        }
        d.push('Z');
    }
    d
}

/// The scale bar; gives the height at which it ends.
fn scale(svg: &mut Svg, paper: f64, top: f64, scale: f64, bind: &TrialBind) -> f64 {
    svg.line([MARGIN, top], [paper - MARGIN, top], &format!("stroke=\"{LINE}\" stroke-width=\"0.8\""));
    let metres = bar(scale);
    let (wide, y) = (metres * scale, top + 18.0);
    let _ = writeln!(
        svg.0,
        "<g data-part=\"scale\" data-metres=\"{metres}\" stroke=\"{INK}\" stroke-width=\"0.8\">\
         <rect x=\"{0}\" y=\"{1}\" width=\"{2}\" height=\"4\" fill=\"{INK}\"/></g>",
        n(MARGIN),
        n(y),
        n(wide)
    );
    let small = Type::soft(10.5);
    let pieces = bind.carried.iter().filter(|carried| carried.is_some()).count() as u64;
    let mut words = vec![length(metres)];
    if pieces > 0 {
        words.push(format!("{} not bound, grey", counted(pieces, "piece")));
    }
    words.push("numbers: the key below".into());
    svg.text(MARGIN + wide + 6.0, y + 6.0, small, &words.join(" · "));
    y + 22.0
}

struct Entry {
    number: usize,
    colour: &'static str,
    name: String,
    share: f64,
}

/// The key, in columns; gives the height at which it ends.
fn key(svg: &mut Svg, paper: f64, top: f64, order: &[usize], entry: impl Fn(usize, usize) -> Entry) -> f64 {
    let (leading, gap) = (15.0, 20.0);
    let listed = order.len().min(MOST_LISTED);
    let columns = if paper >= 720.0 { 3 } else { 2 };
    let lines = listed.div_ceil(columns).max(1);
    let wide = (paper - 2.0 * MARGIN - gap * (columns as f64 - 1.0)) / columns as f64;
    let text = Type::plain(10.5);
    for (at, slot) in order.iter().take(listed).enumerate() {
        let it = entry(at + 1, *slot);
        let x = MARGIN + (at / lines) as f64 * (wide + gap);
        let y = top + 8.0 + (at % lines) as f64 * leading;
        svg.open(&format!("data-key=\"{}\"", it.number));
        let _ = writeln!(
            svg.0,
            "<rect x=\"{}\" y=\"{}\" width=\"11\" height=\"11\" fill=\"{}\" stroke=\"{INK}\" stroke-width=\"0.5\"/>",
            n(x),
            n(y - 9.0),
            it.colour
        );
        svg.text(x + 33.0, y, text.bold().anchored("end"), &it.number.to_string());
        let share = format!("{:.1} %", it.share * 100.0);
        svg.text(x + 39.0, y, text, &fitted(&it.name, text.size, wide - 39.0 - text.width(&share) - 8.0));
        svg.text(x + wide, y, Type::soft(10.5).anchored("end"), &share);
        svg.close();
    }
    let bottom = top + 8.0 + lines as f64 * leading;
    let more = order.len() - listed;
    if more == 0 {
        return bottom;
    }
    legend::remarks(
        svg,
        paper,
        bottom - 8.0,
        &[format!("And {} with less skin.", counted(more as u64, "joint"))],
    )
}

fn whole(body: &str, width: f64, height: f64, title: &str) -> String {
    let title = escaped(&shown(title));
    let (width, height) = (n(width), n(height));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {width} {height}\" role=\"img\" font-family=\"{PLAIN}\" fill=\"{INK}\">\n\
         <title>{title}: which joint wins where</title>\n\
         <desc>The skin of a trial bind in the colours of the joints that are strongest at each place, to one scale, with \
         numbers and a key to them.</desc>\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"{PAPER}\"/>\n{body}</svg>\n"
    )
}
