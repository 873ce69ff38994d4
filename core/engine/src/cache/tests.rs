//! Keys, entries and their damage. The layout is the project's own, so no outside reference applies; what is held is
//! that every bit comes back or nothing does.

use std::fs;
use std::sync::Arc;

use proptest::prelude::*;
use stillair_api::{
    ColumnSpec, Description, Disc, Entry, FactOrigin, FactValue, Facts, GlobalRow, Image, ImageInfo, LocalLayer,
    Motion, Parameter, ParameterValue, Parameters, Record, Series, Shape, SpinLayer, Table, Value,
};

use super::*;

fn description() -> Description {
    Description::new("test.sharp", Shape::Transform, "for the test")
        .parameter(Parameter::number("strength", "", 0.0, 10.0, 1.0, "how much"))
        .parameter(Parameter::auto_number("noise", "", 0.0, 10.0, "noise"))
        .parameter(Parameter::integer("rounds", "", 0, 100, 3, "how often"))
        .parameter(Parameter::flag("plain", false, "whether"))
        .parameter(Parameter::choice("shape", &["round", "square"], "round", "which"))
        .parameter(Parameter::auto_numbers("scales", "px", 0.0, 100.0, "sizes"))
        .fact("telescope.aperture_mm")
        .fact("camera.filter")
        .fact("time.trusted")
}

/// All that a key is made of, as it reaches the engine.
#[derive(Debug, Clone)]
struct Made {
    description: Description,
    parameters: Parameters,
    facts: Facts,
    code: String,
    set: String,
    inputs: Vec<(String, Vec<String>)>,
    capture: Option<String>,
    clip: Option<String>,
}

impl Made {
    fn identity(&self) -> Identity {
        let mut identity = Identity::new(&self.description, &self.parameters, &self.facts, &self.code, &self.set);
        identity.inputs.clone_from(&self.inputs);
        identity.capture.clone_from(&self.capture);
        identity.clip.clone_from(&self.clip);
        identity
    }

    fn key(&self) -> Key {
        self.identity().key()
    }
}

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![Just(0.0), Just(-0.0), Just(1.0), Just(0.1), Just(0.1 + 0.2), -1e9..1e9, Just(f64::MIN_POSITIVE)]
}

fn hash() -> impl Strategy<Value = String> {
    any::<[u8; 4]>().prop_map(|bytes| blake3::hash(&bytes).to_hex().to_string())
}

fn fact() -> impl Strategy<Value = FactValue> {
    prop_oneof![
        number().prop_map(FactValue::Number),
        any::<bool>().prop_map(FactValue::Flag),
        "[a-z \"().]{0,8}".prop_map(FactValue::Text),
    ]
}

fn origin() -> impl Strategy<Value = FactOrigin> {
    prop_oneof![Just(FactOrigin::CommandLine), Just(FactOrigin::Session), Just(FactOrigin::Header)]
}

fn parameters() -> impl Strategy<Value = Parameters> {
    let noise = prop_oneof![Just(ParameterValue::Text("auto".into())), number().prop_map(ParameterValue::Number)];
    let scales = prop_oneof![
        Just(ParameterValue::Text("auto".into())),
        prop::collection::vec(number(), 0..4).prop_map(ParameterValue::Numbers)
    ];
    (number(), noise, 0i64..100, any::<bool>(), "(round|square)", scales).prop_map(
        |(strength, noise, rounds, plain, shape, scales)| {
            let list = [
                ("strength", ParameterValue::Number(strength)),
                ("noise", noise),
                ("rounds", ParameterValue::Integer(rounds)),
                ("plain", ParameterValue::Flag(plain)),
                ("shape", ParameterValue::Text(shape)),
                ("scales", scales),
            ];
            Parameters(list.into_iter().map(|(name, value)| (name.to_string(), value)).collect())
        },
    )
}

const READ: [&str; 3] = ["telescope.aperture_mm", "camera.filter", "time.trusted"];

fn made() -> impl Strategy<Value = Made> {
    let facts = prop::collection::vec(prop::option::of((fact(), origin())), READ.len());
    let inputs = prop::collection::vec((prop::collection::vec(hash(), 0..3), "[a-z]{1,4}"), 0..3);
    (parameters(), facts, hash(), "[a-z0-9 ]{0,6}", inputs, prop::option::of(hash()), prop::option::of(hash()), 1u32..4)
        .prop_map(|(parameters, facts, code, set, inputs, capture, clip, version)| {
            let mut known = Facts::default();
            for (name, fact) in READ.iter().zip(facts) {
                if let Some((value, origin)) = fact {
                    known.set(name, value, origin);
                }
            }
            let inputs =
                inputs.into_iter().enumerate().map(|(i, (links, name))| (format!("{name}{i}"), links)).collect();
            Made {
                description: description().version(version),
                parameters,
                facts: known,
                code,
                set,
                inputs,
                capture,
                clip,
            }
        })
}

/// One change of something that a result depends on, taken from another making; says nothing where both are alike.
fn change(made: &Made, other: &Made, which: usize) -> Option<Made> {
    let mut changed = made.clone();
    let names: Vec<&String> = made.parameters.0.keys().collect();
    match which {
        0..6 => {
            let value = other.parameters.0[names[which]].clone();
            let same = format!("{value:?}") == format!("{:?}", made.parameters.0[names[which]]);
            if same {
                return None;
            }
            changed.parameters.0.insert(names[which].clone(), value);
        }
        6..9 => {
            let name = READ[which - 6];
            let (now, then) = (made.facts.0.get(name), other.facts.0.get(name));
            if format!("{now:?}") == format!("{then:?}") {
                return None;
            }
            changed.facts.0.remove(name);
            changed.facts.0.extend(then.map(|fact| (name.to_string(), fact.clone())));
        }
        9 => changed.code.clone_from(&other.code),
        10 => changed.set.clone_from(&other.set),
        11 => changed.inputs.clone_from(&other.inputs),
        12 => changed.capture.clone_from(&other.capture),
        13 => changed.clip.clone_from(&other.clip),
        14 => changed.description.version = other.description.version,
        15 => changed.description.method = "test.other".into(),
        _ => {
            changed.inputs.reverse();
        }
    }
    let differs = which < 9
        || (&changed.code, &changed.set, &changed.inputs) != (&made.code, &made.set, &made.inputs)
        || (&changed.capture, &changed.clip) != (&made.capture, &made.clip)
        || changed.description != made.description;
    differs.then_some(changed)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_a_result_depends_on_changes_its_key(now in made(), other in made(), which in 0usize..17) {
        if let Some(changed) = change(&now, &other, which) {
            prop_assert_ne!(now.key(), changed.key());
            let told = first_difference(&changed.identity(), &now.identity());
            prop_assert!(told.is_some(), "the difference has no name");
        }
    }

    #[test]
    fn nothing_else_changes_it(now in made(), unread in fact(), help in "[a-z]{0,5}", noise in number()) {
        let mut same = now.clone();
        same.facts.set("site.latitude_deg", unread, FactOrigin::CommandLine);
        same.description.help.clone_from(&help);
        same.description.summary.clone_from(&help);
        same.description.source = help;
        prop_assert_eq!(now.key(), same.key());
        prop_assert_eq!(first_difference(&now.identity(), &same.identity()), None);
        // A whole number where a number is wanted is that number.
        let (mut whole, mut plain) = (now.clone(), now.clone());
        let rounded = noise.round();
        whole.parameters.0.insert("strength".into(), ParameterValue::Integer(rounded as i64));
        plain.parameters.0.insert("strength".into(), ParameterValue::Number(rounded as i64 as f64));
        prop_assert_eq!(whole.key(), plain.key());
    }
}

#[test]
fn what_changed_is_named() {
    let mut identity = Identity::new(&description(), &description().defaults(), &Facts::default(), "c", "s");
    identity.inputs = vec![("image".into(), vec!["1.0".into()])];
    let before = identity.clone();
    identity.parameters.insert("strength".into(), "0.5".into());
    let told = first_difference(&identity, &before);
    assert_eq!(told.as_deref(), Some("parameter `strength` is 0.5, was 1.0"));
    identity.parameters.clone_from(&before.parameters);
    identity.inputs[0].1[0] = "2.0".into();
    assert_eq!(first_difference(&identity, &before).as_deref(), Some("input `image` is another"));
    // Records are handed on, and a fact may be where somebody lives.
    let mut moved = before.clone();
    moved.facts.insert("site.latitude_deg".into(), "51.5 (session)".into());
    let mut here = before.clone();
    here.facts.insert("site.latitude_deg".into(), "48.1 (session)".into());
    assert_eq!(first_difference(&moved, &here).as_deref(), Some("fact `site.latitude_deg` is another"));
}

/// A value of every kind, with all that is optional, and numbers that are none.
fn kept() -> Kept {
    let mut table = Table::for_frames(&[0.0, 0.1, f64::NAN], None);
    table.push(ColumnSpec::category("reason", &["", "cloud"], "why"), vec![0.0, 1.0, f64::NAN]);
    let global = (0..3).map(|i| GlobalRow { x_px: f64::from(i), y_px: -0.0, rotation_rad: 0.1, scale: 1.5 }).collect();
    let local = LocalLayer {
        first_px: [-1.0, 2.0],
        step_px: [8.0, 9.0],
        nodes: [1, 2],
        shift_px: vec![[0.5, -0.5]; 6],
        covariance_px2: vec![[1.0, 2.0, 3.0]; 6],
        grade: vec![1.0; 6],
        weight: Vec::new(),
    };
    let spin = SpinLayer {
        centre_px: [1.0, 2.0],
        equatorial_radius_px: 30.0,
        axis_ratio: 0.9,
        latitude_rad: 0.1,
        pole_rad: 0.2,
        turn_rad: vec![0.0, 0.1, 0.2],
        zonal: vec![0.0, 0.01, 0.0],
        profile: vec![1.0, 0.5],
    };
    let motion = Motion {
        global: Some(global),
        channel_px: Some([[0.1, 0.2], [0.0, 0.0], [-0.1, -0.2]]),
        local: Some(Arc::new(local)),
        spin: Some(Arc::new(spin)),
    };
    let mut image = Image::new(40, 30, 3);
    image.data.iter_mut().enumerate().for_each(|(i, v)| *v = (i as f32).sin());
    image.data[7] = f32::NAN;
    image.weight = Some(vec![0.25; 3600]);
    image.halves = Some([vec![1.0; 3600], vec![-0.0; 3600]]);
    image.info = ImageInfo {
        arcsec_per_px: Some(0.2),
        middle_unix_ns: Some(-5),
        exposure_total_s: None,
        frames_used: 3,
        frames_effective: 2.5,
        reference_px: [20.0, 15.0],
        disc: Some(Disc { x_px: 1.0, y_px: 2.0, equatorial_radius_px: 3.0, polar_radius_px: 2.8, pole_rad: 0.1 }),
        wavelength_nm: vec![620.0, 530.0, 460.0],
        from_mosaic: true,
        mosaic_kept: true,
        parts_placed: true,
        history: vec!["stacked".into(), String::new()],
        ..image.info
    };
    let (x, y) = (vec![0.0, 1.0], vec![f64::NAN, 2.0]);
    let unit = || "px".to_string();
    let series =
        Series { name: "curve".into(), x_label: "x".into(), x_unit: unit(), y_label: "y".into(), y_unit: unit(), x, y };
    let verdict = Entry::Verdict { name: "v".into(), value: f64::NAN, unit: unit(), threshold: 2.0, text: "so".into() };
    let entries = vec![
        Entry::number("n", f64::INFINITY, "px", "help"),
        Entry::text("t", "\u{e9}"),
        Entry::Series(series),
        verdict,
    ];
    let outputs = vec![
        Value::Table(Arc::new(table)),
        Value::Motion(Arc::new(motion)),
        Value::Image(Arc::new(image)),
        Value::Record(Arc::new(Record { entries: entries.clone() })),
    ];
    Kept { outputs, entries, warnings: vec!["odd".into()] }
}

fn identity(strength: f64) -> Identity {
    let mut parameters = description().defaults();
    parameters.0.insert("strength".into(), ParameterValue::Number(strength));
    Identity::new(&description(), &parameters, &Facts::default(), "code", "set")
}

fn store(cache: &Cache, strength: f64) -> u64 {
    let identity = identity(strength);
    cache.store("sharp", &identity, identity.key(), &kept())
}

fn entries_in(cache: &Cache) -> Vec<PathBuf> {
    cache.all().into_iter().map(|l| l.path).collect()
}

fn hit(cache: &Cache, strength: f64) -> Option<Kept> {
    let identity = identity(strength);
    match cache.load(&identity, identity.key()) {
        Found::Hit(kept, _) => Some(*kept),
        _ => None,
    }
}

/// Debug text shows every number with all that tells it from its neighbours, and a NaN as one, which `==` would not.
fn text(kept: &Kept) -> String {
    format!("{kept:?}")
}

#[test]
fn every_value_comes_back_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let cache = Cache::new(dir.path());
    assert!(hit(&cache, 1.0).is_none());
    assert!(store(&cache, 1.0) > 3600 * 4 * 4);
    assert_eq!(text(&hit(&cache, 1.0).unwrap()), text(&kept()));
    assert!(hit(&cache, 2.0).is_none(), "of another key");
    assert_eq!(fs::read_dir(dir.path().join("making")).unwrap().count(), 0);
}

#[test]
fn a_bit_that_flipped_anywhere_is_noticed_and_the_entry_goes() {
    let dir = tempfile::tempdir().unwrap();
    let cache = Cache::new(dir.path());
    store(&cache, 1.0);
    let place = entries_in(&cache).remove(0);
    let whole = fs::read(&place).unwrap();
    let id = identity(1.0);
    // Every byte of the head's first part and of the end, and a sample of those between.
    let offsets = (0..200).chain((200..whole.len()).step_by(997)).chain(whole.len() - 64..whole.len());
    for offset in offsets {
        let mut flipped = whole.clone();
        flipped[offset] ^= 1 << (offset % 8);
        fs::write(&place, flipped).unwrap();
        assert!(matches!(cache.load(&id, id.key()), Found::Damaged), "byte {offset}");
        assert!(!place.exists());
    }
    for length in [0, 10, 300, whole.len() / 2, whole.len() - 1] {
        fs::write(&place, &whole[..length]).unwrap();
        assert!(matches!(cache.load(&id, id.key()), Found::Damaged), "cut to {length}");
    }
    let mut longer = whole.clone();
    longer.push(0);
    fs::write(&place, longer).unwrap();
    assert!(matches!(cache.load(&id, id.key()), Found::Damaged));
    // A whole entry under another's name.
    let other = identity(2.0);
    fs::write(place.with_file_name(other.key().to_string()), &whole).unwrap();
    assert!(matches!(cache.load(&other, other.key()), Found::Damaged));
    fs::write(&place, &whole).unwrap();
    assert!(hit(&cache, 1.0).is_some());
}

#[test]
fn a_full_disk_leaves_nothing_and_is_told_once() {
    let dir = tempfile::tempdir().unwrap();
    let cache = Cache::new(dir.path());
    let one = store(&cache, 1.0);
    cache.room_bytes.store(one / 2, Ordering::SeqCst);
    assert_eq!(store(&cache, 2.0), 0);
    assert!(cache.trouble().is_some());
    assert_eq!(entries_in(&cache).len(), 1);
    assert_eq!(fs::read_dir(dir.path().join("making")).unwrap().count(), 0);
    assert!(hit(&cache, 1.0).is_some(), "what was kept before is still good");
}

#[test]
fn what_was_not_used_for_longest_goes_first() {
    let dir = tempfile::tempdir().unwrap();
    let mut cache = Cache::new(dir.path());
    let one = store(&cache, 0.0);
    cache.set_cap(one * 7 / 2).unwrap();
    let mut cache = Cache::new(dir.path());
    assert_eq!(cache.status(), Status { entries: 1, bytes: one, cap_bytes: one * 7 / 2 });
    let age = |strength: f64, seconds: u64| {
        let place = cache.place("test.sharp", identity(strength).key());
        let time = SystemTime::now() - std::time::Duration::from_secs(seconds);
        fs::File::open(place).unwrap().set_modified(time).unwrap();
    };
    age(0.0, 300);
    store(&cache, 1.0);
    age(1.0, 200);
    store(&cache, 2.0);
    age(2.0, 100);
    assert!(hit(&cache, 0.0).is_some(), "used just now");
    store(&cache, 3.0);
    assert!(hit(&cache, 1.0).is_none(), "the oldest use");
    assert!([0.0, 2.0, 3.0].iter().all(|s| hit(&cache, *s).is_some()));
    cache.set_cap(one).unwrap();
    assert_eq!(cache.status().entries, 1);
    fs::write(dir.path().join("results/mine.txt"), "mine").unwrap();
    cache.clear().unwrap();
    assert_eq!(cache.status().entries, 0);
    assert!(dir.path().join("results/mine.txt").exists(), "only what the cache made is cleared");
}

#[test]
fn what_a_killed_run_left_in_the_making_is_removed_and_a_live_one_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let making = dir.path().join("making");
    fs::create_dir_all(&making).unwrap();
    fs::write(making.join("1-0"), "half").unwrap();
    let live = File::create(making.join("2-0")).unwrap();
    live.try_lock().unwrap();
    let _cache = Cache::new(dir.path());
    assert!(!making.join("1-0").exists() && making.join("2-0").exists());
}

#[test]
fn the_nearest_earlier_result_is_the_one_with_the_fewest_differences() {
    let dir = tempfile::tempdir().unwrap();
    let cache = Cache::new(dir.path());
    let mut far = identity(1.0);
    far.code = "other".into();
    cache.store("sharp", &far, far.key(), &Kept::default());
    let near = identity(2.0);
    cache.store("sharp", &near, near.key(), &Kept::default());
    assert_eq!(cache.nearest("sharp", &identity(3.0)), Some(near));
}

#[cfg(unix)]
#[test]
fn a_file_is_hashed_again_once_it_changed_or_is_too_fresh() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("clip");
    fs::write(&file, "one").unwrap();
    let cache = Cache::new(&dir.path().join("cache"));
    let count = std::cell::Cell::new(0);
    let hash = |memo: Memo| {
        let counted = || {
            count.set(count.get() + 1);
            let content = fs::read(&file).unwrap();
            Ok::<_, ()>((content.len() as u64, blake3::hash(&content).to_hex().to_string()))
        };
        memo.hash(&file, counted).unwrap()
    };
    hash(cache.memo());
    hash(cache.memo());
    assert_eq!(count.get(), 2, "a file that changed just now is not noted");
    // The time of the last change of status cannot be set back, so it has to pass.
    std::thread::sleep(std::time::Duration::from_millis(2100));
    let first = hash(cache.memo());
    assert_eq!(hash(cache.memo()), first);
    assert_eq!(count.get(), 3, "noted");
    hash(Cache::new(cache.folder()).rehashing().memo());
    assert_eq!(count.get(), 4, "asked to hash again");
    // The same length and the same time of change: the time of the change of status still tells.
    let modified = fs::metadata(&file).unwrap().modified().unwrap();
    fs::write(&file, "two").unwrap();
    File::options().write(true).open(&file).unwrap().set_modified(modified).unwrap();
    assert_ne!(hash(cache.memo()), first);
    assert_eq!(count.get(), 5);
    // A note that was tampered with is not believed.
    for note in listed(&dir.path().join("cache/memo")) {
        let text = fs::read_to_string(&note.path).unwrap();
        fs::write(&note.path, text.replacen(&first.1[..8], "00000000", 1)).unwrap();
    }
    hash(cache.memo());
    assert_eq!(count.get(), 6);
}
