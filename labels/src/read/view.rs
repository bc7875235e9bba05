//! The whole picture at a size at which it is looked at.

use image::GrayImage;

/// The whole picture, no longer than some length.
pub(super) struct View {
    pub(super) longest: u32,
    pub(super) dots: GrayImage,
    /// How many dots of the picture one of these is.
    pub(super) scale: f64,
}

impl View {
    /// The picture no longer than that; as it is where it is shorter.
    pub(super) fn of(grey: &GrayImage, longest: u32) -> Self {
        let (width, height) = grey.dimensions();
        let long = width.max(height);
        if long <= longest {
            return Self { longest, dots: grey.clone(), scale: 1.0 };
        }
        let scaled = |side: u32| (u64::from(side) * u64::from(longest) / u64::from(long)).max(1) as u32;
        let dots = shrunk(grey, scaled(width), scaled(height));
        Self { longest, dots, scale: f64::from(long) / f64::from(longest) }
    }
}

/// The part of a row that becomes one dot: its first and last dots, and how much of these two belongs to it.
struct Span {
    first: usize,
    last: usize,
    of_first: f32,
    of_last: f32,
}

fn spans(from: u32, to: u32) -> Vec<Span> {
    let step = f64::from(from) / f64::from(to);
    let span = |n: u32| {
        let (begin, end) = (f64::from(n) * step, (f64::from(n) + 1.0) * step);
        let first = begin as usize;
        let last = ((end - 1e-9) as usize).min(from as usize - 1).max(first);
        let of_first = (end.min(first as f64 + 1.0) - begin) as f32;
        Span { first, last, of_first, of_last: (end - last as f64) as f32 }
    };
    (0..to).map(span).collect()
}

/// A smaller picture: each dot is the mean of the area that it stands for, so that a camera's noise is averaged away.
fn shrunk(grey: &GrayImage, width: u32, height: u32) -> GrayImage {
    let across = spans(grey.width(), width);
    let rows: Vec<&[u8]> = grey.as_raw().chunks(grey.width() as usize).collect();
    let mut out = Vec::with_capacity((width * height) as usize);
    let mut sums = vec![0.0_f32; grey.width() as usize];
    for down in spans(grey.height(), height) {
        sums.fill(0.0);
        let mut add = |y: usize, weight: f32| {
            sums.iter_mut().zip(rows[y]).for_each(|(sum, level)| *sum += weight * f32::from(*level));
        };
        add(down.first, down.of_first);
        if down.last > down.first {
            (down.first + 1..down.last).for_each(|y| add(y, 1.0));
            add(down.last, down.of_last);
        }
        let high = down.of_first
            + if down.last > down.first { (down.last - down.first - 1) as f32 + down.of_last } else { 0.0 };
        for span in &across {
            let mut sum = sums[span.first] * span.of_first;
            let mut wide = span.of_first;
            if span.last > span.first {
                sum += sums[span.first + 1..span.last].iter().sum::<f32>() + sums[span.last] * span.of_last;
                wide += (span.last - span.first - 1) as f32 + span.of_last;
            }
            out.push((sum / (wide * high) + 0.5) as u8);
        }
    }
    GrayImage::from_raw(width, height, out).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_smaller_picture_is_the_mean_of_what_it_stands_for() {
        // By hand: 5 × 2 dots become 2 × 1, two and a half of them each way.
        let grey = GrayImage::from_raw(5, 2, vec![0, 10, 20, 30, 40, 100, 110, 120, 130, 140]).unwrap();
        let small = shrunk(&grey, 2, 1);
        assert_eq!(small.as_raw(), &[58, 82]);
        let even = GrayImage::from_pixel(701, 333, image::Luma([77]));
        for (width, height) in [(1, 1), (700, 332), (333, 7), (13, 333)] {
            let small = shrunk(&even, width, height);
            assert_eq!(small.dimensions(), (width, height));
            assert!(small.as_raw().iter().all(|level| *level == 77), "{width} × {height}");
        }
        let view = View::of(&even, 350);
        assert_eq!((view.dots.dimensions(), view.scale), ((350, 166), 701.0 / 350.0));
        assert_eq!(View::of(&even, 701).dots, even);
    }
}
