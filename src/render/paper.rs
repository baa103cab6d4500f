//! What does an invented day leave on paper: the session's file, its table of volleys, its truth?

use serde_json::{Value, json};

use super::SheetOnWall;
use super::scenario::{Chance, Fired, FiredShot, MESHES, Machine, Scenario};
use crate::points::WallPoint;

const MPH: f64 = 0.447_04;

/// `session.toml`.
pub(super) fn session_toml(day: &Scenario) -> String {
    let s = &day.recipe.stated;
    let mut chance = Chance::new(day.seed, 2, day.recipe.cut);
    let sheet = day.sheets.first().copied().unwrap_or_else(|| SheetOnWall::upright(1, WallPoint::default()));
    let tenth = |v: f64| (10.0 * v).round() / 10.0;
    let across = tenth(chance.within(150.0 * sheet.scale_across, s.bar_mm));
    let down = tenth(chance.within(200.0 * sheet.scale_down, s.bar_mm));
    let mut tape = |a: usize, b: usize| {
        let (Some(a), Some(b)) = (day.sheets.get(a - 1), day.sheets.get(b - 1)) else { return 0.0 };
        tenth(chance.within(1e3 * a.cross.distance_m(b.cross), s.tape_mm))
    };
    let (wide, high) = (tape(1, 2), tape(1, 3));
    format!(
        r#"title = "{title}"

[wall]
origin_sheet = 1
level_sheets = [1, 2]
printed_bar = "{across:.1} mm ± {bar} mm"
printed_bar_down = "{down:.1} mm ± {bar} mm"
lean = "{lean}"

[[wall.tape]]
sheets = [1, 2]
distance = "{wide:.1} mm ± {tape} mm"

[[wall.tape]]
sheets = [1, 3]
distance = "{high:.1} mm ± {tape} mm"

[camera]
tripod_photo = "calibration/tripod.jpg"

[machine]
pivot_out = "{pivot_out}"
pivot_up = "{pivot_up}"
pivot_right = "{pivot_right}"
arm = "{arm}"
zero = "{zero}"

[ball]
mass = "{mass}"
diameter = "{diameter}"
drag_coefficient = "{drag}"
spin = "0 rpm"

[air]
temperature = "{temperature}"
pressure = "{pressure}"
humidity = "{humidity}"

[speed]
scale = "{scale} %"
read_at = "release"

[study]
matters = "1 deg"
reference = {{ mesh = "{reference}" }}
"#,
        bar = s.bar_mm,
        tape = s.tape_mm,
        title = day.recipe.title,
        lean = s.lean,
        pivot_out = s.pivot_out,
        pivot_up = s.pivot_up,
        pivot_right = s.pivot_right,
        arm = s.arm,
        zero = s.zero,
        mass = s.mass,
        diameter = s.diameter,
        drag = s.drag,
        temperature = s.temperature,
        pressure = s.pressure,
        humidity = s.humidity,
        scale = s.speed_scale_percent,
        reference = MESHES[0],
    )
}

/// `truth.json`.
pub(super) fn truth(day: &Scenario, fired: &[Fired]) -> Value {
    let m = &day.machine;
    let sheets: serde_json::Map<String, Value> = day
        .sheets
        .iter()
        .map(|s| {
            let place = [1e3 * s.cross.x_m, 1e3 * s.cross.y_m, s.turn_rad.to_degrees(), s.scale_across, s.scale_down];
            (s.number.to_string(), json!(place))
        })
        .collect();
    let volleys: Vec<Value> = fired.iter().map(|f| volley_truth(f, m)).collect();
    let c = &day.recipe.tripod;
    let rotation: Vec<Vec<f64>> = c.pose.rotation.row_iter().map(|r| r.iter().copied().collect()).collect();
    json!({
        "name": day.recipe.name,
        "seed": day.seed,
        "machine": {
            "pivot_out_m": m.pivot_out_m, "pivot_up_m": m.pivot_up_m, "pivot_right_m": m.pivot_right_m, "arm_m": m.arm_m,
            "zero_deg": m.zero_rad.to_degrees(), "lean_deg": m.lean_rad.to_degrees(), "mass_kg": m.mass_kg,
            "diameter_m": m.diameter_m, "drag_coefficient": m.drag_coefficient, "temperature_k": m.temperature_k,
            "pressure_pa": m.pressure_pa, "humidity": m.humidity, "speed_scale": m.speed_scale,
        },
        "sheets": sheets,
        "lens": {
            "width": c.width, "height": c.height, "fx": c.fx_px, "fy": c.fy_px, "cx": c.cx_px, "cy": c.cy_px,
            "dist": [c.k1, c.k2, c.p1, c.p2, c.k3],
        },
        "tripod": { "R": rotation, "eye_mm": (c.pose.eye_m * 1e3).as_slice() },
        "volleys": volleys,
    })
}
fn volley_truth(fired: &Fired, machine: &Machine) -> Value {
    let mean =
        |get: &dyn Fn(&FiredShot) -> f64| fired.marks.iter().map(get).sum::<f64>() / fired.marks.len().max(1) as f64;
    let marks: Vec<Value> = fired
        .marks
        .iter()
        .map(|s| {
            let visible = s.mark.visible_centre();
            json!({
                "x_mm": 1e3 * s.mark.centre.x_m, "y_mm": 1e3 * s.mark.centre.y_m,
                "visible_x_mm": 1e3 * visible.x_m, "visible_y_mm": 1e3 * visible.y_m,
                "diameter_mm": 1e3 * s.mark.diameter_m, "strength": s.mark.strength, "speed_mps": s.speed_mps,
                "release_deg": s.release_deg, "sideways_deg": s.sideways_rad.to_degrees(),
                "sideways_mm": 1e3 * (s.mark.centre.x_m - machine.pivot_right_m),
            })
        })
        .collect();
    json!({
        "volley": fired.name, "photo": fired.file.trim_start_matches("photos/"), "setup": MESHES.get(fired.plan.mesh),
        "nominal_mph": fired.plan.setpoint_mph, "mean_release_deg": mean(&|s| s.release_deg), "marks": marks,
        "missed": fired.missed, "occluded": fired.hidden > 0,
    })
}
/// `volleys.csv`.
pub(super) fn volleys_csv(day: &Scenario, fired: &[Fired]) -> String {
    let file = |f: &str| f.trim_start_matches("photos/").to_owned();
    let us = day.recipe.us_units;
    let (unit, per_mph) = if us { ("mph", 1.0) } else { ("mps", MPH) };
    let mut text = format!("volley,photo,shots,setpoint_{unit},speed_{unit},speed_spread_{unit},head,mesh,note\n");
    text += &format!("clean wall,{},0,,,,,,before the first shot\n", file(&day.photo_name(0)));
    for f in fired {
        if let Some(wiped) = &f.wiped_file {
            text += &format!("wiped before {},{},0,,,,,,wiped with a damp cloth\n", f.name, file(wiped));
        }
        let n = f.shown_mph.len().max(1) as f64;
        let mean = f.shown_mph.iter().sum::<f64>() / n;
        let spread = (f.shown_mph.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt();
        let mesh = MESHES.get(f.plan.mesh).copied().unwrap_or_default();
        let (name, photo, shots) = (&f.name, file(&f.file), f.shown_mph.len());
        text += &if us {
            format!("{name},{photo},{shots},{},{mean:.2},{spread:.2},Heron,{mesh},\n", f.plan.setpoint_mph)
        } else {
            format!(
                "{name},{photo},{shots},{:.2},{:.3},{:.3},Heron,{mesh},\n",
                per_mph * f.plan.setpoint_mph,
                per_mph * mean,
                per_mph * spread
            )
        };
    }
    text
}
