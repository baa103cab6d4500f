use pockmark::camera::calibrate::*;
fn main() {
    for dir in std::env::args().skip(1) {
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
        let t = std::time::Instant::now();
        let c = calibrate(&input).unwrap();
        println!(
            "{dir} {:?} rms {:.4} unit {:.2} corners {} terms {:?}",
            t.elapsed(),
            c.rms_px,
            c.unit_u,
            c.corners,
            c.lens_terms
        );
        println!("{:?}\n u {:?}", c.lens, c.lens_u);
        println!("scale {:?} tape {:?}", c.scale, c.tape_checks);
        for p in &c.photos {
            println!("  {} {} {} {:.3} {:?}", p.name, p.corners, p.dropped, p.rms_px, p.left_out);
        }
        let truth: serde_json::Value = serde_json::from_str(
            &std::fs::read_to_string(format!("{}.truth.json", dir.trim_end_matches('/'))).unwrap(),
        )
        .unwrap();
        let mut s2 = 0.0;
        for s in &c.sheets {
            let t = &truth["sheets"][s.number.to_string()];
            let dx = s.x_m * 1e3 - t[0].as_f64().unwrap();
            let dy = s.y_m * 1e3 - t[1].as_f64().unwrap();
            s2 += dx * dx + dy * dy;
            println!(
                "  sheet {} off {:.3} {:.3} u {:.3} {:.3} turn {:.3} true {:.3}",
                s.number,
                dx,
                dy,
                s.u_m[0] * 1e3,
                s.u_m[1] * 1e3,
                s.turn_rad.to_degrees(),
                t[2].as_f64().unwrap()
            );
        }
        println!("  sheets rms {:.3} mm; true lens {}", (s2 / c.sheets.len() as f64).sqrt(), truth["lens"]);
    }
}
