//! Evidence for a thin stitched line, light or dark or only a groove, on any fabric.

mod fine;
pub mod map;
pub mod periodic;
pub mod strip;

use pulp::Arch;

/// Each place of `out` becomes the sum of the kernel times the values from there on.
fn correlate(values: &[f32], kernel: &[f32], out: &mut [f32]) {
    out.fill(0.0);
    // Written out once more for processors with wider registers.
    Arch::new().dispatch(|| {
        for (from, w) in kernel.iter().enumerate() {
            for (o, v) in out.iter_mut().zip(&values[from..]) {
                *o += w * v;
            }
        }
    });
}
