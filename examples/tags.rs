fn main() {
    for p in std::env::args().skip(1) {
        let g = pockmark::photo::decode_gray(p.as_ref(), 1).unwrap();
        let t = std::time::Instant::now();
        let s = pockmark::sheet::find_sheets(&g, Default::default());
        println!("{p} {:?} stray {}", t.elapsed(), s.stray_tags.len());
        for v in &s.sheets {
            println!(
                "  {} tags {} corners {} dropped {} blur {:.2} rms {:.3} u {:.4}",
                v.number,
                v.tags.len(),
                v.corners.len(),
                v.dropped,
                v.blur_px,
                v.layout_rms_px,
                v.corners.iter().map(|c| c.saddle.u_px).sum::<f64>() / v.corners.len() as f64
            );
        }
    }
}
