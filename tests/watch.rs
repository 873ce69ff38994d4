//! `stillair watch`: every finished clip once, a broken one set aside, a clean end.

#[cfg(unix)]
mod unix {
    use std::path::Path;
    use std::process::{Command, Stdio};
    use std::time::{Duration, Instant};

    use crate::support::{Said, folder, stillair, write_clip};

    fn ledger(here: &Path) -> Vec<serde_json::Value> {
        let text = std::fs::read_to_string(here.join("runs/watch.jsonl")).unwrap_or_default();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    fn once(here: &Path) -> Said {
        stillair(here, &["watch", "clips", "--recipe", "quick-look", "--once", "--settle-s", "0"])
    }

    #[test]
    fn every_clip_is_taken_once_and_a_broken_one_does_not_stop_the_queue() {
        let here = folder("watch");
        std::fs::create_dir(here.join("clips")).unwrap();
        std::fs::write(here.join("clips/a-broken.ser"), b"no capture at all").unwrap();
        std::fs::write(here.join("clips/notes.txt"), b"no clip").unwrap();
        write_clip(&here.join("clips/b.ser"), 40);
        write_clip(&here.join("clips/c.ser"), 40);
        let said = once(&here);
        assert_eq!(said.code, Some(1), "{}", said.err);
        assert!(said.err.contains("set aside") && said.err.contains("a-broken.ser"), "{}", said.err);
        let lines = ledger(&here);
        let outcomes: Vec<&str> = lines.iter().map(|l| l["outcome"].as_str().unwrap()).collect();
        assert_eq!(outcomes, ["set aside", "done", "done"]);
        assert!(lines[0]["error"].as_str().unwrap().len() > 10);
        // The same folder again: nothing is left to do.
        let said = once(&here);
        assert_eq!((said.code, said.out.as_str()), (Some(0), ""), "{}", said.err);
        assert_eq!(ledger(&here).len(), 3);
        // A clip that was changed is another one.
        write_clip(&here.join("clips/a-broken.ser"), 30);
        assert_eq!(once(&here).code, Some(0));
        assert_eq!(ledger(&here).len(), 4);
        let said = stillair(&here, &["runs", "--trend"]);
        assert!(said.code == Some(0) && said.out.contains("limited by"), "{}", said.out);
    }

    #[test]
    fn a_service_manager_ends_it_cleanly() {
        let here = folder("watch-service");
        std::fs::create_dir(here.join("clips")).unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_stillair"))
            .args(["watch", "clips", "--recipe", "quick-look", "--settle-s", "0.3", "--no-cache"])
            .current_dir(&here)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        write_clip(&here.join("clips/late.ser"), 40);
        let begun = Instant::now();
        while ledger(&here).is_empty() && begun.elapsed() < Duration::from_secs(60) {
            std::thread::sleep(Duration::from_millis(100));
        }
        assert_eq!(ledger(&here).len(), 1);
        // A second watcher of the same runs is refused.
        assert_eq!(once(&here).code, Some(2));
        Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
        assert_eq!(child.wait().unwrap().code(), Some(143));
        let left: Vec<String> = std::fs::read_dir(here.join("runs"))
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .filter(|n| n.starts_with(".making") || n.starts_with(".progress"))
            .collect();
        assert_eq!(left, Vec::<String>::new());
    }
}
