//! Plots as SVG: axes with units, round ticks, colours that the colour-blind can tell apart, words beside.

use maud::{Markup, html};

/// Room for the plot, user units.
pub(crate) const WIDTH: f64 = 640.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 44.0;

/// A range of numbers and the stretch of paper it is drawn on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Axis {
    pub low: f64,
    pub high: f64,
}

impl Axis {
    /// Spans the finite numbers, with a little room; never empty.
    pub fn over(values: impl Iterator<Item = f64>) -> Self {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.filter(|v| v.is_finite()) {
            low = low.min(value);
            high = high.max(value);
        }
        if low > high {
            return Self { low: 0.0, high: 1.0 };
        }
        let room = if high > low { 0.04 * (high - low) } else { 0.5 * high.abs().max(1.0) };
        Self { low: low - room, high: high + room }
    }

    /// The same, beginning at zero.
    pub fn from_zero(values: impl Iterator<Item = f64>) -> Self {
        let spanned = Self::over(values);
        Self { low: 0.0, high: spanned.high.max(1e-12) }
    }

    fn at(self, value: f64, from: f64, to: f64) -> f64 {
        from + (value - self.low) / (self.high - self.low) * (to - from)
    }

    /// About five round numbers.
    fn ticks(self) -> Vec<f64> {
        let rough = (self.high - self.low) / 5.0;
        let power = 10f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|s| *s >= rough).unwrap_or(power);
        let first = (self.low / step).ceil() as i64;
        let last = (self.high / step).floor() as i64;
        (first..=last).map(|i| i as f64 * step).collect()
    }

    fn label(self, tick: f64) -> String {
        let ticks = self.ticks();
        let step = if ticks.len() > 1 { ticks[1] - ticks[0] } else { 1.0 };
        let digits = (-step.log10().floor()).clamp(0.0, 6.0) as usize;
        format!("{tick:.digits$}")
    }
}

/// A plot in the making.
pub(crate) struct Chart {
    pub x: Axis,
    pub y: Axis,
    pub height: f64,
    pub x_label: String,
    pub y_label: String,
    /// What the plot shows, for those who cannot see it.
    pub words: String,
    pub shapes: Vec<Markup>,
}

impl Chart {
    pub fn new(x: Axis, y: Axis, x_label: &str, y_label: &str, words: String) -> Self {
        Self { x, y, height: 240.0, x_label: x_label.into(), y_label: y_label.into(), words, shapes: Vec::new() }
    }

    /// Paper position of a number on x.
    pub fn px(&self, x: f64) -> f64 {
        self.x.at(x, LEFT, WIDTH - RIGHT)
    }

    /// Paper position of a number on y.
    pub fn py(&self, y: f64) -> f64 {
        self.y.at(y, self.height - BOTTOM, TOP)
    }

    /// A line through the finite points; gaps break it.
    pub fn line(&mut self, class: &str, points: impl Iterator<Item = (f64, f64)>) {
        let mut path = String::new();
        let mut pen_down = false;
        for (x, y) in points {
            if !(x.is_finite() && y.is_finite()) {
                pen_down = false;
                continue;
            }
            let command = if pen_down { 'L' } else { 'M' };
            path.push_str(&format!("{command}{:.1} {:.1}", self.px(x), self.py(y)));
            pen_down = true;
        }
        self.shapes.push(html! { path class=(format!("line {class}")) d=(path) {} });
    }

    /// Small dots, drawn as one path.
    pub fn dots(&mut self, class: &str, radius: f64, points: impl Iterator<Item = (f64, f64)>) {
        let mut path = String::new();
        for (x, y) in points.filter(|(x, y)| x.is_finite() && y.is_finite()) {
            path.push_str(&format!(
                "M{:.1} {:.1}m-{radius} 0a{radius} {radius} 0 1 0 {d} 0a{radius} {radius} 0 1 0 -{d} 0",
                self.px(x),
                self.py(y),
                d = 2.0 * radius
            ));
        }
        self.shapes.push(html! { path class=(format!("dots {class}")) d=(path) {} });
    }

    /// A bar from y = 0.
    pub fn bar(&mut self, class: &str, from: f64, to: f64, y: f64) {
        let (x0, x1, y0, y1) = (self.px(from), self.px(to), self.py(y), self.py(0.0f64.max(self.y.low)));
        self.shapes.push(html! {
            rect class=(format!("bar {class}")) x=(fixed(x0)) y=(fixed(y0)) width=(fixed((x1 - x0 - 0.6).max(0.4)))
                height=(fixed((y1 - y0).max(0.0))) {}
        });
    }

    /// An upright line at a number on x, with a word at its top.
    pub fn mark_x(&mut self, class: &str, x: f64, word: &str) {
        if !(self.x.low..=self.x.high).contains(&x) {
            return;
        }
        let (at, bottom) = (self.px(x), self.height - BOTTOM);
        let (anchor, dx) = if at > 0.6 * WIDTH { ("end", -5.0) } else { ("start", 5.0) };
        self.shapes.push(html! {
            path class=(format!("mark {class}")) d=(format!("M{at:.1} {TOP}V{bottom}")) {}
            text class="word" x=(fixed(at + dx)) y=(fixed(TOP + 11.0)) text-anchor=(anchor) { (word) }
        });
    }

    /// A level line at a number on y, with a word at its left end.
    pub fn mark_y(&mut self, class: &str, y: f64, word: &str) {
        if !(self.y.low..=self.y.high).contains(&y) {
            return;
        }
        let (at, right) = (self.py(y), WIDTH - RIGHT);
        let left = LEFT + 6.0;
        self.shapes.push(html! {
            path class=(format!("mark {class}")) d=(format!("M{LEFT} {at:.1}H{right}")) {}
            text class="word" x=(fixed(left)) y=(fixed(at - 5.0)) { (word) }
        });
    }

    /// Signs of a kind, for those who tell shapes better than colours: 0 cross, 1 triangle, 2 square, 3 ring, 4 bar.
    pub fn signs(&mut self, class: &str, kind: usize, points: impl Iterator<Item = (f64, f64)>) {
        let mut path = String::new();
        for (x, y) in points.filter(|(x, y)| x.is_finite() && y.is_finite()) {
            let (x, y) = (self.px(x), self.py(y));
            path.push_str(&format!("M{x:.1} {y:.1}{}", sign(kind)));
        }
        self.shapes.push(html! { path class=(format!("sign {class}")) d=(path) {} });
    }

    /// The finished plot; `id` must be unique in the page.
    pub fn draw(&self, id: &str) -> Markup {
        let (bottom, right) = (self.height - BOTTOM, WIDTH - RIGHT);
        html! {
            div class="scroll" tabindex="0" role="group" aria-label=(format!("plot: {}", self.y_label)) {
            svg class="plot" viewBox=(format!("0 0 {WIDTH} {}", self.height)) role="img" aria-labelledby=(format!("{id}-words")) {
                title id=(format!("{id}-words")) { (self.words) }
                @for tick in self.x.ticks() {
                    @let x = self.px(tick);
                    path class="grid" d=(format!("M{x:.1} {TOP}V{bottom}")) {}
                    text class="tick" x=(fixed(x)) y=(fixed(bottom + 15.0)) text-anchor="middle" { (self.x.label(tick)) }
                }
                @for tick in self.y.ticks() {
                    @let y = self.py(tick);
                    path class="grid" d=(format!("M{LEFT} {y:.1}H{right}")) {}
                    text class="tick" x=(fixed(LEFT - 7.0)) y=(fixed(y + 4.0)) text-anchor="end" { (self.y.label(tick)) }
                }
                @for shape in &self.shapes { (shape) }
                path class="axis" d=(format!("M{LEFT} {TOP}V{bottom}H{right}")) {}
                text class="label" x=(fixed((LEFT + right) / 2.0)) y=(fixed(self.height - 8.0)) text-anchor="middle" { (self.x_label) }
                text class="label" x="0" y="0" text-anchor="middle"
                    transform=(format!("translate(14 {:.1}) rotate(-90)", (TOP + bottom) / 2.0)) { (self.y_label) }
            }
            }
        }
    }
}

/// A small sign about the pen's place.
pub(crate) fn sign(kind: usize) -> &'static str {
    match kind % 5 {
        0 => "m-3 -3l6 6m0 -6l-6 6",
        1 => "m0 -3.5l3.5 6h-7z",
        2 => "m-3 -3h6v6h-6z",
        3 => "m-3 0a3 3 0 1 0 6 0a3 3 0 1 0 -6 0",
        _ => "m0 -4v8",
    }
}

fn fixed(value: f64) -> String {
    format!("{value:.1}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let axis = Axis { low: 0.0, high: 23.7 };
        assert_eq!(axis.ticks(), [0.0, 5.0, 10.0, 15.0, 20.0]);
        assert_eq!(axis.label(5.0), "5");
        let small = Axis { low: 0.101, high: 0.149 };
        assert!(small.ticks().iter().all(|t| (0.101..=0.149).contains(t)));
        assert_eq!(small.label(small.ticks()[0]), "0.11");
    }

    #[test]
    fn an_axis_over_nothing_or_one_number_still_has_a_length() {
        for axis in [Axis::over(std::iter::empty()), Axis::over([3.0].into_iter()), Axis::over([f64::NAN].into_iter())]
        {
            assert!(axis.high > axis.low);
        }
    }
}
