use rowsight::design::from_photo::{centre, follow, ink::Ink, strokes, thin};
fn main() {
    let a: Vec<String> = std::env::args().collect();
    let im = image::open(&a[1]).unwrap().to_rgb8();
    let mm: f64 = a[2].parse().unwrap();
    let ink = Ink::new(&im, mm, &[]);
    println!(
        "level {} noise {} shrink {}",
        ink.level, ink.noise, ink.shrink
    );
    let mask = ink.mask();
    let sk = thin::thin(&mask, ink.width);
    let st = strokes::strokes(&mask, &sk, ink.width, ink.mm_per_px);
    println!("width {} strokes {}", st.width_px, st.strokes.len());
    let tr = follow::follow(
        &st.strokes,
        st.width_px,
        ink.mm_per_px,
        70.0 / ink.mm_per_px,
    );
    let mut out = image::RgbImage::from_fn(ink.width as u32, ink.height as u32, |x, y| {
        let m = mask[y as usize * ink.width + x as usize];
        image::Rgb(if m { [170; 3] } else { [255; 3] })
    });
    let cols = [
        [220, 0, 0],
        [0, 0, 220],
        [0, 150, 0],
        [200, 0, 200],
        [0, 150, 200],
        [200, 120, 0],
    ];
    for (k, t) in tr.iter().enumerate() {
        println!("trail {k} points {}", t.points.len());
        for p in &t.points {
            let (x, y) = (p.x as u32, p.y as u32);
            if x + 1 < out.width() && y + 1 < out.height() {
                for (i, j) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    out.put_pixel(x + i, y + j, image::Rgb(cols[k % 6]));
                }
            }
        }
        let _ = centre::STEP_MM;
    }
    out.save(&a[3]).unwrap();
}
