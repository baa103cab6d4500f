//! scratch
use pockmark::camera::*;
use pockmark::marks::*;
fn main() {
    let a: Vec<String> = std::env::args().collect();
    let wall = Wall::from_json(&std::fs::read_to_string(format!("{}/wall.json", a[1])).unwrap()).unwrap();
    let load = |n: &str| {
        let rgb = pockmark::photo::decode_rgb(format!("{}/photos/{n}", a[1]).as_ref(), 1).unwrap();
        let s = pockmark::sheet::find_sheets(&pockmark::photo::decode::luma(&rgb), wall.geometry());
        let l = locate(&wall, &s.sheets).unwrap();
        (rgb, l)
    };
    let (b, bl) = load(&a[2]);
    let (c, cl) = load(&a[3]);
    println!("rms {} {}", bl.rms_px, cl.rms_px);
    let pair = Pair::new(&b, &bl.view, &c, &cl.view);
    println!("shift {}", pair.largest_shift_px());
    let f: usize = a.get(4).map_or(2, |v| v.parse().unwrap());
    let r = reduce(&pair, f);
    let d = detect(&r, a.get(5).map_or(9.0, |v| v.parse().unwrap()));
    println!("threshold {:.2} light {:.3} regions {}", d.threshold, d.light_step, d.regions.len());
    for g in d.regions.iter().take(15) {
        println!("{:?}", g);
    }
    let im = image::GrayImage::from_fn(r.width as u32, r.height as u32, |x, y| {
        image::Luma([(d.significance[y as usize * r.width + x as usize] * 10.0).clamp(0.0, 255.0) as u8])
    });
    im.save("/tmp/sig.png").unwrap();
}
