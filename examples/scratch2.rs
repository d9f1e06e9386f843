//! scratch
use rowsight::card::CornerKind;
use rowsight::card::detect::find_cards;
use rowsight::rehearse::Truth;
fn main() {
    let dir = std::env::args().nth(1).unwrap();
    let (mut sum, mut n, mut chi) = (0.0, 0, 0.0);
    for seed in std::env::args().skip(2) {
        let Ok(text) = std::fs::read_to_string(format!("{dir}/s{seed}.truth.json")) else {
            continue;
        };
        let truth: Truth = serde_json::from_str(&text).unwrap();
        let luma = image::open(format!("{dir}/s{seed}.jpg"))
            .unwrap()
            .to_luma8();
        let t = std::time::Instant::now();
        let found = find_cards(&luma);
        let dt = t.elapsed().as_secs_f64() * 1e3;
        match found {
            Err(e) => println!(
                "s{seed} {dt:.0} ms ERROR {e} truth {:?}",
                truth
                    .cards
                    .iter()
                    .map(|c| (c.card, c.share_in_view))
                    .collect::<Vec<_>>()
            ),
            Ok(cards) => {
                print!(
                    "s{seed} {dt:.0} ms: {} of {} cards",
                    cards.len(),
                    truth.cards.len()
                );
                for c in &cards {
                    let Some(t) = truth.cards.iter().find(|t| t.card == c.card) else {
                        print!(" FALSE {}", c.card);
                        continue;
                    };
                    let patches = c.card.patches_mm();
                    let mut e2 = 0.0;
                    let mut m = 0;
                    let mut worst = 0.0f64;
                    let mut x2 = 0.0;
                    let mut mean = nalgebra::Vector2::zeros();
                    for k in c.corners.iter().filter(|k| k.kind == CornerKind::Patch) {
                        let i = patches
                            .iter()
                            .position(|p| (p - k.on_card_mm).norm() < 1e-6)
                            .unwrap();
                        let e = k.in_photo_px - t.patches_px[i];
                        e2 += e.norm_squared();
                        m += 1;
                        worst = worst.max(e.norm());
                        mean += e;
                        x2 += (e.transpose()
                            * (k.covariance_px2 + nalgebra::Matrix2::identity() * 0.0016)
                                .try_inverse()
                                .unwrap()
                            * e)[0];
                    }
                    sum += e2;
                    n += m;
                    chi += x2;
                    print!(
                        " | {} tags {} patches {}/{} others {} rms {:.3} mean ({:.3},{:.3}) worst {:.2} chi2/2 {:.2}",
                        c.card,
                        c.tags.len(),
                        m,
                        patches.len(),
                        c.corners.len() - m,
                        (e2 / m as f64).sqrt(),
                        mean.x / m as f64,
                        mean.y / m as f64,
                        worst,
                        x2 / m as f64 / 2.0
                    );
                }
                println!();
            }
        }
    }
    println!(
        "all: rms {:.3} px (2-D) of {n}, chi2 per corner {:.2} (2 expected)",
        (sum / n as f64).sqrt(),
        chi / n as f64
    );
}
