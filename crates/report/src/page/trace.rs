//! Long series as short paths: fewer points that keep every peak and trough, written as whole steps.

/// One point of a line, in the drawing's units.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    pub(super) x: f64,
    pub(super) y: f64,
    /// Whether the line is broken before this point.
    pub(super) starts: bool,
}

/// At most `most` points: the lowest and highest of each bin of time, in their order.
pub(super) fn thinned(points: &[Point], left: f64, right: f64, most: usize) -> Vec<Point> {
    if points.len() <= most {
        return points.to_vec();
    }
    let bins = (most / 2).max(1) as f64;
    let bin = |p: &Point| ((p.x - left) / (right - left) * bins).floor().clamp(0.0, bins - 1.0);
    let mut out = Vec::with_capacity(most);
    for group in points.chunk_by(|a, b| bin(a) == bin(b)) {
        let starts = group.iter().any(|p| p.starts);
        let place = |better: fn(f64, f64) -> bool| {
            (0..group.len()).fold(0, |best, i| if better(group[i].y, group[best].y) { i } else { best })
        };
        let (low, high) = (place(|a, b| a < b), place(|a, b| a > b));
        let (first, second) = (low.min(high), low.max(high));
        out.push(Point { starts, ..group[first] });
        if second != first {
            out.push(Point { starts: false, ..group[second] });
        }
    }
    out
}

/// An SVG path through the points, rounded to whole units, level stretches as one step.
pub(super) fn path(points: &[Point]) -> String {
    let whole: Vec<(i64, i64, bool)> =
        points.iter().map(|p| (p.x.round() as i64, p.y.round() as i64, p.starts)).collect();
    let mut out = String::new();
    let mut at = (0, 0);
    for (i, &(x, y, starts)) in whole.iter().enumerate() {
        if i == 0 || starts {
            out.push_str(&format!("M{x} {y}l0 0"));
        } else if whole.get(i + 1).is_some_and(|n| !n.2 && n.1 == y) && at.1 == y {
            // On a level stretch only its end is written.
            continue;
        } else {
            let (dx, dy) = (x - at.0, y - at.1);
            out.push_str(&format!(" {dx}{}{dy}", if dy < 0 { "" } else { " " }));
        }
        at = (x, y);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(x: f64, y: f64) -> Point {
        Point { x, y, starts: false }
    }

    #[test]
    fn peaks_and_troughs_survive() {
        let mut points: Vec<Point> = (0..5000).map(|i| point(f64::from(i), 100.0)).collect();
        points[1234].y = 3.0;
        points[4321].y = 250.0;
        let thin = thinned(&points, 0.0, 5000.0, 400);
        assert!(thin.len() <= 400);
        assert!(thin.contains(&point(1234.0, 3.0)) && thin.contains(&point(4321.0, 250.0)));
        assert!(thin.windows(2).all(|w| w[0].x < w[1].x));
    }

    #[test]
    fn breaks_survive() {
        let mut points: Vec<Point> = (0..1000).map(|i| point(f64::from(i), f64::from(i % 7))).collect();
        points[503].starts = true;
        assert_eq!(thinned(&points, 0.0, 1000.0, 40).iter().filter(|p| p.starts).count(), 1);
    }

    #[test]
    fn level_stretches_are_one_step() {
        let points = [point(0.0, 5.0), point(1.0, 5.0), point(2.0, 5.0), point(3.0, 2.0)];
        assert_eq!(path(&points), "M0 5l0 0 2 0 1-3");
        let broken = [point(0.0, 5.0), Point { x: 4.0, y: 6.0, starts: true }];
        assert_eq!(path(&broken), "M0 5l0 0M4 6l0 0");
    }
}
