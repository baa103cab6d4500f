use pockmark::camera::calibrate::*;
use pockmark::camera::*;
use pockmark::marks::*;
fn main() {
    let dir = std::env::args().nth(1).unwrap();
    let mut photos = vec![];
    let mut names: Vec<_> =
        std::fs::read_dir(format!("{dir}/calibration")).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    for p in names {
        let g = pockmark::photo::decode_gray(&p, 1).unwrap();
        let s = pockmark::sheet::find_sheets(&g, Default::default());
        photos.push(CalibrationPhoto {
            name: p.file_name().unwrap().to_string_lossy().into(),
            size_px: g.dimensions(),
            exif_focal_px: None,
            sheets: s.sheets,
        });
    }
    let toml = std::fs::read_to_string(format!("{dir}/session.toml")).unwrap();
    let bar: f64 = toml.split("printed_bar = \"").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    let d: f64 = toml.split("distance = \"").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    let input = CalibrationInput {
        photos,
        frame: WallFrame {
            origin_sheet: 1,
            level_sheets: Some([1, 2]),
            plumb_sheets: None,
            level_u_m: LEVEL_U_M,
            tapes: vec![Tape { sheets: [1, 2], distance_m: d, u_m: 0.5e-3 }],
            scale_across: Some((bar / 150.0, 0.1 / 150.0)),
            scale_down: None,
            geometry: Default::default(),
        },
    };
    let c = calibrate(&input).unwrap();
    let wall = Wall::new(&c, Default::default(), &[], Some("tripod.jpg"));
    let truth: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(format!("{dir}.truth.json")).unwrap()).unwrap();
    let mut names: Vec<_> = std::fs::read_dir(format!("{dir}/photos")).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    let mut prev: Option<(image::RgbImage, Located)> = None;
    let mut volleys = vec![];
    let t0 = std::time::Instant::now();
    for (k, p) in names.iter().enumerate() {
        let rgb = pockmark::photo::decode_rgb(p, 1).unwrap();
        let g = pockmark::photo::decode::luma(&rgb);
        let s = pockmark::sheet::find_sheets(&g, Default::default());
        let Some(loc) = locate(&wall, &s.sheets) else {
            println!("no pose {p:?}");
            continue;
        };
        if let Some((before, bl)) = &prev {
            let pair = Pair::new(before, &bl.view, &rgb, &loc.view);
            let r = reduce(&pair, 2);
            let scale = r.blocks_per_metre(&loc.view, pockmark::points::WallPoint::new(1.05, 0.8)).unwrap();
            let d = detect(&r, scale * 0.028);
            let g = group::group(
                &pair,
                &r,
                &d,
                5,
                14.0,
                scale * 0.014,
                &(0..r.width * r.height)
                    .map(|i| {
                        let w = loc.view.wall_from_pixel(r.pixel_of((i % r.width) as f64, (i / r.width) as f64));
                        w.is_none_or(|w| !(0.5..1.7).contains(&w.x_m) || !(0.15..1.7).contains(&w.y_m))
                    })
                    .collect::<Vec<_>>(),
            );
            println!("{k}: regions {} patches {} big {}", d.regions.len(), g.patches.len(), g.too_big.len());
            volleys.push(learn::VolleyPatches { shots: 5, patches: g.patches });
        }
        prev = Some((rgb, loc));
    }
    println!("detect {:?}", t0.elapsed());
    let t0 = std::time::Instant::now();
    let colour = learn::colour(&volleys).unwrap();
    println!("colour {colour:?}");
    let colour = match std::env::var("COL") {
        Ok(v) => [v.parse::<f32>().unwrap(); 3],
        _ => colour,
    };
    let patches: Vec<(usize, Vec<patch::Patch>)> =
        volleys.iter().map(|v| (v.shots, v.patches.iter().map(|p| p.opacity(colour)).collect())).collect();
    let area = 150.0 * 150.0;
    let s = learn::learn(&patches, shape::MarkShape::plain((20.0, 40.0)), area);
    println!(
        "learn {:?} texture {:.3} grain {:.1} radius {:?} strength {:?} from {}",
        t0.elapsed(),
        s.texture,
        s.grain_px,
        s.radius_mm,
        s.strength,
        s.learned_from
    );
    println!("{:.2?}", s.profile);
    let t0 = std::time::Instant::now();
    let (mut se, mut n, mut found, mut total, mut false_n, mut cover) = (0.0, 0.0, 0, 0, 0, 0);
    let (mut sl, mut nl) = (0.0, 0.0);
    let mut bias = [0.0; 2];
    let mut means = vec![];
    for (k, (shots, ps)) in patches.iter().enumerate() {
        let ex: Vec<_> = ps.iter().map(|p| separate::explain(p, &s, area, shots + 1)).collect();
        let c = separate::choose(&ex, *shots);
        let marks: Vec<(fit::FittedMark, f64, f64)> = ex
            .iter()
            .zip(&c.counts)
            .flat_map(|(e, &k)| {
                let f = &e.fits[k];
                f.marks
                    .iter()
                    .enumerate()
                    .map(|(i, m)| {
                        (*m, f.covariance[(4 * i, 4 * i)].sqrt(), f.covariance[(4 * i + 1, 4 * i + 1)].sqrt())
                    })
                    .collect::<Vec<_>>()
            })
            .collect();
        let truth: Vec<[f64; 3]> = truth["volleys"][k]["marks"]
            .as_array()
            .unwrap()
            .iter()
            .map(|m| [m["x_mm"].as_f64().unwrap(), m["y_mm"].as_f64().unwrap(), m["diameter_mm"].as_f64().unwrap()])
            .collect();
        let mut free: Vec<usize> = (0..marks.len()).collect();
        println!(
            "volley {} counts {:?} margin {:.1} ev {:?}",
            k + 1,
            c.counts,
            c.margin,
            ex.iter()
                .map(|e| e.fits.iter().map(|f| f.minus_2_ln_evidence as i64).collect::<Vec<_>>())
                .collect::<Vec<_>>()
        );
        let mut pairs = vec![];
        for (ti, t) in truth.iter().enumerate() {
            for i in 0..marks.len() {
                let d = (marks[i].0.x_mm - t[0]).hypot(marks[i].0.y_mm - t[1]);
                pairs.push((d, ti, i));
            }
        }
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut used = vec![false; truth.len()];
        for (d, ti, i) in pairs {
            if d > 20.0 || used[ti] || !free.contains(&i) {
                continue;
            }
            used[ti] = true;
            free.retain(|&j| j != i);
            found += 1;
            se += d * d;
            n += 1.0;
            let m = marks[i];
            let t = truth[ti];
            bias[0] += m.0.x_mm - t[0];
            bias[1] += m.0.y_mm - t[1];
            if (m.0.x_mm - t[0]).abs() < 2.0 * m.1 {
                cover += 1;
            }
            if (m.0.y_mm - t[1]).abs() < 2.0 * m.2 {
                cover += 1;
            }
            let lone = truth
                .iter()
                .enumerate()
                .all(|(o, q)| o == ti || (q[0] - t[0]).hypot(q[1] - t[1]) > t[2].max(q[2]) / 2.0);
            if lone {
                sl += d * d;
                nl += 1.0;
            }
            println!(
                "   d {:.2} ({:.2} {:.2}) u {:.2} {:.2} dia {:.1} true {:.1} strength {:.2} {}",
                d,
                m.0.x_mm - t[0],
                m.0.y_mm - t[1],
                m.1,
                m.2,
                2.0 * m.0.radius_mm,
                t[2],
                m.0.strength,
                if lone { "apart" } else { "" }
            );
        }
        total += truth.len();
        false_n += free.len();
        let my = marks.iter().map(|m| m.0.y_mm).sum::<f64>() / marks.len() as f64
            - truth.iter().map(|t| t[1]).sum::<f64>() / truth.len() as f64;
        means.push(my);
        for i in free {
            println!("   FALSE {:?}", marks[i]);
        }
        for ti in 0..truth.len() {
            if !used[ti] {
                println!("   MISSED {:?}", truth[ti]);
            }
        }
    }
    println!(
        "final {:?} found {found}/{total} false {false_n} rms {:.2} apart rms {:.2} ({nl}) cover {:.2} bias {:.2} {:.2} mean rms {:.2}",
        t0.elapsed(),
        (se / n as f64).sqrt(),
        (sl / nl as f64).sqrt(),
        cover as f64 / (2.0 * n),
        bias[0] / n,
        bias[1] / n,
        (means.iter().map(|m| m * m).sum::<f64>() / means.len() as f64).sqrt()
    );
}
