//! A window of constant size that follows the target from frame to frame.
//!
//! Half the window is `max(factor * e, e + margin)`, where `e` is the 90th percentile, over the frames with a whole
//! target, of the half box that holds target, rings and moons (`reach_x_px`, `reach_y_px`; else half of `width_px`,
//! `height_px`). The size is raised to the next even product of 2, 3 and 5, on which Fourier transforms are fast, and
//! limited to the frame. The top left pixel is the even one nearest to centre minus half the window, pushed inside the
//! frame, so that a colour mosaic keeps one phase. Common practice, no source.

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Frame, FrameInput, Map, MapRun, Method, Node, Outcome,
    Parameter, Parameters, PortType, Region, Row, Scratch, Shape, Table, columns,
};
use stillair_maths::fft::good_size;

/// Share of the frames whose target fits into the window with its margin.
const PERCENTILE: f64 = 0.9;

/// `crop.follow`.
pub struct Follow;

impl Method for Follow {
    fn describe(&self) -> Description {
        Description::new("crop.follow", Shape::Map, "Follows the target with a window of constant size")
            .help(
                "Needs the finished table of find.disc. The size comes from the boxes of all frames (rings and moons \
                 near the planet included) with room for seeing; the window's even origin follows the target's \
                 centre, and only the window is read. Where a frame has no position the last known one stands. A \
                 target that fills most of the frame, or that was found in no frame, gives the whole frame. \
                 Positions in tables and motions stay those of the full frame.",
            )
            .source("common practice, no source")
            .contract("crop")
            .input("frames", PortType::Frames, "whole frames")
            .input("table", PortType::Table, "position and box of the target in each frame")
            .whole()
            .needs("table", columns::X_PX)
            .needs("table", columns::Y_PX)
            .output("frames", PortType::Frames, "the window of each frame")
            .parameter(Parameter::number(
                "factor",
                "",
                1.0,
                10.0,
                1.25,
                "half the window is at least this many times half the target's box",
            ))
            .parameter(Parameter::number("margin_px", "px", 0.0, 4096.0, 16.0, "least room on each side of the box"))
            .parameter(Parameter::auto_integer(
                "size_px",
                "px",
                8,
                65_536,
                "width and height of the window; auto = from the target's box",
            ))
            .through("frames")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Map(Box::new(FollowNode {
            factor: parameters.number("factor")?,
            margin_px: parameters.number("margin_px")?,
            size_px: parameters.auto_integer("size_px")?.map(|v| v as usize),
        })))
    }
}

/// The node: its parameters.
#[derive(Debug, Clone, Copy)]
struct FollowNode {
    factor: f64,
    margin_px: f64,
    size_px: Option<usize>,
}

/// Value below which the given share of the values lies; `None` without values. Reorders them.
fn percentile(values: &mut [f64], share: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let rank = (share * last as f64).round() as usize;
    Some(*values.select_nth_unstable_by(rank.min(last), f64::total_cmp).1)
}

/// Half boxes of the frames whose target is whole, or of all that have one.
fn half_boxes(table: &Table, reach: &str, size: &str) -> Vec<f64> {
    let (reach, size, cut) = (table.values(reach), table.values(size), table.values(columns::CUT));
    let half = |i: usize| {
        let from_reach = reach.map(|r| r[i]).filter(|v| v.is_finite());
        from_reach.or_else(|| size.map(|s| 0.5 * s[i])).filter(|v| v.is_finite() && *v > 0.0)
    };
    let whole = |i: usize| cut.is_none_or(|c| c[i] == 0.0);
    let of_whole: Vec<f64> = (0..table.rows()).filter(|&i| whole(i)).filter_map(half).collect();
    if of_whole.is_empty() { (0..table.rows()).filter_map(half).collect() } else { of_whole }
}

/// Even window size along one axis of a frame with `frame_px` pixels.
fn window_size(half_box: Option<f64>, frame_px: usize, node: &FollowNode) -> usize {
    let most = (frame_px & !1).max(1);
    let wanted = match (node.size_px, half_box) {
        (Some(size), _) => size.next_multiple_of(2),
        (None, Some(half)) => {
            let side = 2.0 * (node.factor * half).max(half + node.margin_px);
            good_size(side.min(1e6).ceil() as usize)
        }
        (None, None) => most,
    };
    wanted.min(most)
}

/// Even first pixel of a window of `size` about `centre`, inside `frame_px` pixels.
fn origin(centre: f64, size: usize, frame_px: usize) -> usize {
    let most = (frame_px - size) & !1;
    // The middle of `size` pixels from `first` on lies at first + (size - 1) / 2.
    let first = centre - 0.5 * (size as f64 - 1.0);
    let even = 2.0 * (0.5 * first).round();
    (even.max(0.0) as usize).min(most)
}

/// The window of every frame.
fn windows(table: &Table, width: usize, height: usize, node: &FollowNode) -> Outcome<Vec<Region>> {
    let missing = |name: &str| {
        Fault::request(format!("the table linked to `table` has no column {name}")).remedy("link find.disc to `table`")
    };
    let x = table.values(columns::X_PX).ok_or_else(|| missing(columns::X_PX))?;
    let y = table.values(columns::Y_PX).ok_or_else(|| missing(columns::Y_PX))?;
    let half_x = percentile(&mut half_boxes(table, "reach_x_px", columns::WIDTH_PX), PERCENTILE);
    let half_y = percentile(&mut half_boxes(table, "reach_y_px", columns::HEIGHT_PX), PERCENTILE);
    let size = [window_size(half_x, width, node), window_size(half_y, height, node)];
    let known = |i: usize| x[i].is_finite() && y[i].is_finite();
    let first = (0..table.rows()).find(|&i| known(i));
    let mut last = first.map_or([0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0)], |i| [x[i], y[i]]);
    let regions = (0..table.rows()).map(|i| {
        if known(i) {
            last = [x[i], y[i]];
        }
        let (x, y) = (origin(last[0], size[0], width), origin(last[1], size[1], height));
        Region { x, y, width: size[0], height: size[1] }
    });
    Ok(regions.collect())
}

impl Map for FollowNode {
    fn start(&self, context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MapRun>> {
        let table = bound.table("table")?;
        if info.width == 0 || info.height == 0 {
            return Err(Fault::data("the frames have no pixels"));
        }
        let regions = windows(table, info.width, info.height, self)?;
        let mut info = info.clone();
        if let Some(region) = regions.first() {
            context.record(Entry::number("window-width", region.width as f64, "px", "columns of the window"));
            context.record(Entry::number("window-height", region.height as f64, "px", "rows of the window"));
            (info.width, info.height) = (region.width, region.height);
        }
        Ok(Box::new(FollowRun { regions, info }))
    }
}

struct FollowRun {
    regions: Vec<Region>,
    info: ClipInfo,
}

impl FollowRun {
    fn region(&self, index: usize) -> Outcome<Region> {
        let missing = || Fault::internal(format!("frame {index} has no row in the table"));
        self.regions.get(index).copied().ok_or_else(missing)
    }
}

impl MapRun for FollowRun {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn window(&self, index: usize, _row: Option<&Row<'_>>) -> Outcome<Option<Region>> {
        self.region(index).map(Some)
    }

    fn frame(&self, _scratch: &mut Scratch, input: &FrameInput<'_>, out: &mut Frame) -> Outcome<()> {
        out.copy_window(input.frame, self.region(input.frame.index)?);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use stillair_api::testing::{TestContext, clip_info, run_map};
    use stillair_api::{ColumnSpec, Layout, ParameterValue, Pattern, Value, contract};

    const NAN: f64 = f64::NAN;

    fn table(rows: &[[f64; 5]]) -> Table {
        let mut table = Table::for_frames(&vec![0.0; rows.len()], None);
        let names = [columns::X_PX, columns::Y_PX, "reach_x_px", "reach_y_px", columns::CUT];
        for (c, name) in names.iter().enumerate() {
            table.push(ColumnSpec::number(name, "", ""), rows.iter().map(|r| r[c]).collect());
        }
        table
    }

    fn node(size: Option<i64>) -> Box<dyn Map> {
        let mut parameters = Follow.describe().defaults();
        if let Some(size) = size {
            parameters.0.insert("size_px".into(), ParameterValue::Integer(size));
        }
        match Follow.create(&parameters, &Facts::default()) {
            Ok(Node::Map(node)) => node,
            _ => panic!("crop.follow is a map"),
        }
    }

    fn regions(rows: &[[f64; 5]], width: usize, height: usize) -> Vec<Region> {
        windows(&table(rows), width, height, &FollowNode { factor: 1.25, margin_px: 16.0, size_px: None }).unwrap()
    }

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Follow.describe()), Vec::<String>::new());
    }

    // By hand: 2 max(1.25 * 40, 40 + 16) = 112 and 2 max(1.25 * 80, 80 + 16) = 200.
    #[test]
    fn the_size_follows_the_box_and_the_origin_is_even_and_inside() {
        let row = |x: f64, y: f64| [x, y, 40.0, 80.0, 0.0];
        let found = regions(&[row(200.3, 150.0), row(203.1, 151.9), row(-3.0, 299.0)], 401, 301);
        // 112 has a factor 7; the next even product of 2, 3 and 5 is 120.
        assert_eq!(found[0], Region { x: 140, y: 50, width: 120, height: 200 });
        for region in &found {
            assert!(region.x % 2 == 0 && region.y % 2 == 0);
            assert!(region.x + region.width <= 401 && region.y + region.height <= 301);
            assert_eq!((region.width % 2, region.height), (0, 200));
        }
        assert_eq!((found[2].x, found[2].y), (0, 100));
        let middle = found[1].x as f64 + 0.5 * (found[1].width as f64 - 1.0);
        assert!((middle - 203.1).abs() <= 1.0, "{middle}");
    }

    #[test]
    fn outliers_and_cut_frames_do_not_set_the_size() {
        let mut rows = vec![[100.0, 100.0, 20.0, 20.0, 0.0]; 40];
        rows[3] = [100.0, 100.0, 90.0, 90.0, 0.0];
        rows[4] = [3.0, 100.0, 70.0, 70.0, 0.4];
        let found = regions(&rows, 300, 300);
        assert_eq!((found[0].width, found[0].height), (72, 72));
    }

    #[test]
    fn a_frame_without_position_keeps_the_last_and_none_at_all_gives_the_frame() {
        let lost = [NAN, NAN, NAN, NAN, NAN];
        let found = regions(&[lost, [60.0, 60.0, 10.0, 10.0, 0.0], lost, [90.0, 80.0, 10.0, 10.0, 0.0]], 200, 160);
        assert_eq!(found[0], found[1]);
        assert_eq!(found[2], found[1]);
        assert_ne!(found[3], found[1]);
        assert_eq!(regions(&[lost, lost], 201, 161)[1], Region { x: 0, y: 0, width: 200, height: 160 });
    }

    #[test]
    fn the_window_is_a_copy_of_the_frames_pixels_with_the_same_mosaic() {
        let layout = Layout::Mosaic(Pattern::Grbg);
        let info = clip_info(2, 64, 48, layout);
        let frames: Vec<Frame> = (0..2)
            .map(|index| {
                let mut frame = Frame::empty();
                frame.reshape(index, info.region(), layout);
                frame.data.iter_mut().enumerate().for_each(|(i, v)| *v = (i + index) as f32);
                frame
            })
            .collect();
        let rows = [[30.0, 20.0, 5.0, 5.0, 0.0], [33.0, 22.4, 5.0, 5.0, 0.0]];
        let bound = Bound::default().with("table", Value::Table(Arc::new(table(&rows))));
        let node = node(Some(16));
        let out = run_map(&*node, &bound, &info, &frames).unwrap();
        for (frame, window) in frames.iter().zip(&out) {
            assert_eq!((window.layout, window.width(), window.height()), (layout, 16, 16));
            let (x, y) = (window.region.x, window.region.y);
            assert_eq!(window.data[17], frame.data[(y + 1) * 64 + x + 1]);
        }
        assert_ne!(out[0].region, out[1].region);
        let context = TestContext::default();
        assert!(node.start(&context, &bound, &info).is_ok());
        assert_eq!(context.number("window-width"), Some(16.0));
    }

    #[test]
    fn a_table_without_positions_is_refused_with_the_remedy() {
        let bound = Bound::default().with("table", Value::Table(Arc::new(Table::for_frames(&[0.0], None))));
        let fault = node(None).start(&TestContext::default(), &bound, &clip_info(1, 8, 8, Layout::Mono));
        let words = fault.err().unwrap().to_string();
        assert!(words.contains("x_px") && words.contains("find.disc"), "{words}");
    }
}
