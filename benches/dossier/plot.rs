//! Line charts of the dossier.

use plotters::prelude::*;
use std::sync::Once;

/// One line of a chart: its name and its points.
pub type Line = (String, Vec<(f64, f64)>);

/// A chart of lines over one axis; both may be logarithmic.
pub struct Chart {
    pub title: String,
    pub x: String,
    pub y: String,
    pub log_x: bool,
    pub log_y: bool,
    pub lines: Vec<Line>,
}

const COLOURS: [RGBColor; 5] = [
    RGBColor(0x0b, 0x5a, 0x78),
    RGBColor(0xa3, 0x41, 0x0d),
    RGBColor(0x6b, 0x3f, 0xa0),
    RGBColor(0x4c, 0x58, 0x62),
    RGBColor(0x1e, 0x7a, 0x3c),
];

impl Chart {
    /// As SVG. The axes carry logarithms' values where they are logarithmic.
    pub fn svg(&self) -> String {
        // plotters looks for no font by itself
        static FONT: Once = Once::new();
        FONT.call_once(|| {
            let bytes = include_bytes!("../../src/report/font/DejaVuSans.ttf");
            plotters::style::register_font("sans-serif", FontStyle::Normal, bytes)
                .unwrap_or_else(|_| panic!("the bundled font"));
        });
        let place = |log: bool, v: f64| if log { v.max(1e-300).log10() } else { v };
        let back = |log: bool, v: &f64| {
            // three digits of a power of ten, four decimals otherwise
            let (v, digits) = match log {
                true => (10f64.powf(*v), 10f64.powf(2.0 - v.floor())),
                false => (*v, 1e4),
            };
            let text = format!("{}", (v * digits).round() / digits);
            match text.as_str() {
                "-0" => "0".to_owned(),
                _ => text.replace('-', "\u{2212}"),
            }
        };
        let points = || self.lines.iter().flat_map(|l| &l.1);
        let range = |of: &dyn Fn(&(f64, f64)) -> f64| {
            let (low, high) = points()
                .map(of)
                .fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
            let room = 0.05 * (high - low).max(1e-9);
            low - room..high + room
        };
        let x = range(&|p| place(self.log_x, p.0));
        let y = range(&|p| place(self.log_y, p.1));
        let mut text = String::new();
        {
            let area = SVGBackend::with_string(&mut text, (640, 380)).into_drawing_area();
            area.fill(&WHITE).expect("a picture in memory");
            let mut chart = ChartBuilder::on(&area)
                .margin(10)
                .caption(&self.title, ("sans-serif", 16))
                .x_label_area_size(38)
                .y_label_area_size(60)
                .build_cartesian_2d(x, y)
                .expect("a chart");
            chart
                .configure_mesh()
                .x_desc(&self.x)
                .y_desc(&self.y)
                .x_label_formatter(&|v| back(self.log_x, v))
                .y_label_formatter(&|v| back(self.log_y, v))
                .light_line_style(WHITE)
                .draw()
                .expect("axes");
            for (k, (name, points)) in self.lines.iter().enumerate() {
                let colour = COLOURS[k % COLOURS.len()];
                let at: Vec<(f64, f64)> = points
                    .iter()
                    .map(|p| (place(self.log_x, p.0), place(self.log_y, p.1)))
                    .collect();
                chart
                    .draw_series(at.iter().map(|p| Circle::new(*p, 3, colour.filled())))
                    .expect("points");
                chart
                    .draw_series(LineSeries::new(at, colour.stroke_width(2)))
                    .expect("a line")
                    .label(name)
                    .legend(move |(x, y)| {
                        PathElement::new([(x, y), (x + 18, y)], colour.stroke_width(2))
                    });
            }
            // the upper corner that the first line leaves free
            let ends = self.lines.first().map(|l| (l.1.first(), l.1.last()));
            let rises = matches!(ends, Some((Some(a), Some(b))) if a.1 < b.1);
            chart
                .configure_series_labels()
                .position(match rises {
                    true => SeriesLabelPosition::UpperLeft,
                    false => SeriesLabelPosition::UpperRight,
                })
                .background_style(WHITE.mix(0.8))
                .border_style(WHITE)
                .draw()
                .expect("a legend");
            area.present().expect("a picture in memory");
        }
        text
    }
}
