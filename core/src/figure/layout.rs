//! Where the views stand on the paper, and how large: one scale for all of them, edges in line.

use glam::DVec3;

use super::labels::Columns;
use super::view::{Axes, View};

/// Air at the edge of the paper.
pub(super) const MARGIN: f64 = 24.0;
/// Height of a label with the air around it.
pub(super) const PITCH: f64 = 17.0;
/// Above a view: its title.
const HEADER: f64 = 26.0;
/// Below a view: its axes.
const FOOTER: f64 = 34.0;
/// Between views.
const GAP: f64 = 22.0;
/// Between a label and the drawing: lines run through it.
pub(super) const LEAD: f64 = 16.0;
/// A column of numbers.
const NUMBERS: f64 = 32.0 + LEAD;
/// Names beside the drawing need this much paper; on less of it labels are numbers, and the names stand in the key.
const NAMED: f64 = 800.0;
/// Height of all views together against the width of the paper.
const TALLEST: f64 = 0.92;
/// How much longer than wide a body is that is best labelled from the side.
const LONG: f64 = 1.15;

/// A view on the paper.
#[derive(Debug, Clone, Copy)]
pub(super) struct Panel {
    pub(super) view: View,
    pub(super) axes: Axes,
    /// The drawing: left, top, width, height.
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) width: f64,
    pub(super) height: f64,
    /// What lies at the lower left corner of the drawing, metres.
    pub(super) low: [f64; 2],
    /// Units of the paper per metre.
    pub(super) scale: f64,
    pub(super) columns: Columns,
    /// Its labels have names, too.
    pub(super) named: bool,
    /// The outer edges of its labels.
    pub(super) outer: [f64; 2],
}

impl Panel {
    /// A point of the rig on the paper.
    pub(super) fn at(&self, point: DVec3) -> [f64; 2] {
        let [right, up] = self.axes.of(point);
        [self.x + (right - self.low[0]) * self.scale, self.y + self.height - (up - self.low[1]) * self.scale]
    }

    /// The middle of its title's line.
    pub(super) fn heading(&self) -> [f64; 2] {
        [self.x + self.width / 2.0, self.columns.top - 10.0]
    }
}

/// The views, and the height at which they end.
#[derive(Debug)]
pub(super) struct Layout {
    pub(super) panels: Vec<Panel>,
    pub(super) bottom: f64,
    pub(super) scale: f64,
}

/// Lays out views of a box. `labels` is the number of labels, `widest` the width of the widest label with a name.
pub(super) fn layout(
    views: &[View],
    paper: f64,
    top: f64,
    (low, high): (DVec3, DVec3),
    labels: usize,
    widest: f64,
) -> Layout {
    let size = high - low;
    let has = |view: View| views.contains(&view);
    let long = size.z > LONG * size.x;
    let main = match (has(View::Front), has(View::Side)) {
        (true, true) if long => View::Side,
        (true, _) => View::Front,
        (false, true) => View::Side,
        (false, false) => View::Top,
    };
    let turned = main == View::Side || (main == View::Top && long);
    let row: Vec<View> = match main {
        View::Top => vec![View::Top],
        _ => [View::Front, View::Side].into_iter().filter(|view| has(*view)).collect(),
    };
    let above = has(View::Top) && main != View::Top;
    let extent = |view: View| {
        let (a, b) = view.axes(turned).frame(low, high);
        [b[0] - a[0], b[1] - a[1]]
    };
    let column = |view: View| match (labels, view == main) {
        (0, _) => 10.0,
        (_, true) if paper >= NAMED => widest + LEAD,
        _ => NUMBERS,
    };
    let columns: f64 = row.iter().map(|view| 2.0 * column(*view)).sum();
    let across: f64 = row.iter().map(|view| extent(*view)[0]).sum();
    let room = paper - 2.0 * MARGIN - columns - GAP * (row.len() as f64 - 1.0);
    let down = row.iter().map(|view| extent(*view)[1]).fold(0.0, f64::max)
        + if above { extent(View::Top)[1] } else { 0.0 };
    let tallest = paper * TALLEST - (HEADER + FOOTER) * if above { 2.0 } else { 1.0 };
    let scale = (room / across).min(tallest / down);
    // Half of the labels fit on either side.
    let least = (labels.div_ceil(2)) as f64 * PITCH;
    let used = across * scale + columns + GAP * (row.len() as f64 - 1.0);
    let mut panels = Vec::new();
    let mut put = |view: View, x: f64, region: f64, height: f64, [left, right]: [f64; 2]| {
        let [w, h] = extent(view).map(|side| side * scale);
        let axes = view.axes(turned);
        panels.push(Panel {
            view,
            axes,
            x,
            y: region + (height - h) / 2.0,
            width: w,
            height: h,
            low: axes.frame(low, high).0,
            scale,
            columns: Columns {
                left: x - LEAD,
                right: x + w + LEAD,
                top: region,
                bottom: region + height,
                pitch: PITCH,
            },
            named: view == main && paper >= NAMED,
            outer: [x - left, x + w + right],
        });
    };
    let region = |view: View| (extent(view)[1] * scale).max(least);
    let height = row.iter().map(|view| region(*view)).fold(0.0, f64::max);
    let mut y = top + HEADER;
    let row_top = if above { y + region(View::Top) + FOOTER + HEADER } else { y };
    let mut x = (paper - used) / 2.0;
    for view in row {
        let wide = column(view);
        put(view, x + wide, row_top, height, [wide, wide]);
        if above && view == main {
            put(View::Top, x + wide, y, region(View::Top), [NUMBERS.min(wide), NUMBERS.min(wide)]);
        }
        x += extent(view)[0] * scale + 2.0 * wide + GAP;
    }
    y = row_top + height + FOOTER;
    panels.sort_by_key(|panel| panel.view);
    Layout { panels, bottom: y, scale }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn views_share_a_scale_stand_in_line_and_stay_on_the_paper() {
        for size in [[1.8, 1.8, 0.35], [0.5, 1.6, 2.2], [0.05, 0.1, 4.0], [3.0, 0.2, 0.2], [1.0, 5.0, 1.0]] {
            for views in [&View::ALL[..], &[View::Front], &[View::Top], &[View::Side, View::Top]] {
                for labels in [0, 1, 24] {
                    let high = DVec3::from_array(size);
                    let out = layout(views, 900.0, 50.0, (DVec3::ZERO, high), labels, 150.0);
                    assert_eq!(out.panels.len(), views.len());
                    for panel in &out.panels {
                        assert!(panel.outer[0] >= MARGIN - 1e-6 && panel.outer[1] <= 900.0 - MARGIN + 1e-6);
                        assert!(2 * panel.columns.capacity() >= labels, "every label has a place");
                        assert!(panel.columns.bottom <= out.bottom && panel.columns.top >= 50.0);
                        assert!(panel.y >= panel.columns.top - 1e-6);
                    }
                    let find = |view: View| out.panels.iter().find(|panel| panel.view == view);
                    if let (Some(front), Some(side)) = (find(View::Front), find(View::Side)) {
                        assert!((front.y - side.y).abs() < 1e-9 && (front.height - side.height).abs() < 1e-9);
                        assert!(front.outer[1] < side.outer[0]);
                    }
                    if let (Some(top), Some(main)) =
                        (find(View::Top), out.panels.iter().find(|panel| panel.named))
                        && views.len() > 1
                    {
                        assert!((top.x - main.x).abs() < 1e-9 && (top.width - main.width).abs() < 1e-9);
                        assert!(top.columns.bottom < main.columns.top);
                    }
                }
            }
        }
    }
}
