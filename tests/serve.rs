//! The pages of `stillair serve` over plain HTTP: what is there, what is refused, and that nothing is written. The
//! answers' codes are those of RFC 9110.

#[cfg(unix)]
mod unix {
    use std::io::{BufRead, BufReader, Read, Write};
    use std::net::TcpStream;
    use std::path::{Path, PathBuf};
    use std::process::{Child, Command, Stdio};

    use crate::support::{folder, stillair, write_clip};

    /// A server that is ended with the test.
    struct Server {
        child: Child,
        address: String,
    }

    impl Server {
        fn start(here: &Path, listen: &str) -> Self {
            let mut child = Command::new(env!("CARGO_BIN_EXE_stillair"))
                .args(["serve", "--listen", listen, "--json"])
                .current_dir(here)
                .stdout(Stdio::piped())
                .spawn()
                .unwrap();
            let mut line = String::new();
            BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
            let said: serde_json::Value = serde_json::from_str(&line).unwrap();
            Self { child, address: said["address"].as_str().unwrap().to_string() }
        }

        /// `host:port` to connect to.
        fn host(&self) -> String {
            let rest = self.address.strip_prefix("http://").unwrap();
            rest.split('/').next().unwrap().replace("0.0.0.0", "127.0.0.1")
        }

        /// Code, headers and body of an answer.
        fn ask(&self, method: &str, path: &str, headers: &str) -> (u16, String, Vec<u8>) {
            let mut stream = TcpStream::connect(self.host()).unwrap();
            let host = if headers.contains("Host:") { String::new() } else { format!("Host: {}\r\n", self.host()) };
            write!(stream, "{method} {path} HTTP/1.1\r\n{host}{headers}Connection: close\r\n\r\n").unwrap();
            let mut bytes = Vec::new();
            stream.read_to_end(&mut bytes).unwrap();
            let end = bytes.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
            let head = String::from_utf8(bytes[..end].to_vec()).unwrap().to_lowercase();
            (head.split(' ').nth(1).unwrap().parse().unwrap(), head, bytes[end + 4..].to_vec())
        }

        fn get(&self, path: &str) -> (u16, String) {
            let (code, _, body) = self.ask("GET", path, "");
            (code, String::from_utf8_lossy(&body).into_owned())
        }

        /// Asks it to end as a service manager would, and gives its exit code.
        fn end(mut self) -> Option<i32> {
            Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap();
            self.child.wait().unwrap().code()
        }
    }

    impl Drop for Server {
        fn drop(&mut self) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }

    /// A folder with two runs and a link that leads out of it.
    fn shop(name: &str) -> (PathBuf, Vec<String>) {
        let here = folder(name);
        write_clip(&here.join("clip.ser"), 40);
        for _ in 0..2 {
            let said = stillair(&here, &["run", "quick-look", "clip.ser", "--fact", "target.name=mars"]);
            assert_eq!(said.code, Some(0), "{}", said.err);
        }
        let mut names: Vec<String> = std::fs::read_dir(here.join("runs"))
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        std::fs::create_dir(here.join("elsewhere")).unwrap();
        for file in ["run.json", "report.html"] {
            std::fs::copy(here.join("runs").join(&names[0]).join(file), here.join("elsewhere").join(file)).unwrap();
        }
        std::os::unix::fs::symlink(here.join("elsewhere"), here.join("runs/leads-out")).unwrap();
        (here, names)
    }

    fn listing(folder: &Path) -> Vec<PathBuf> {
        let mut list: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
        let within: Vec<PathBuf> = list.iter().filter(|p| p.is_dir()).flat_map(|p| listing(p)).collect();
        list.extend(within);
        list.sort();
        list
    }

    #[test]
    fn runs_are_shown_and_nothing_else() {
        let (here, names) = shop("serve");
        let before = listing(&here);
        let server = Server::start(&here, "127.0.0.1:0");
        let (code, list) = server.get("/");
        assert_eq!(code, 200);
        assert!(names.iter().all(|n| list.contains(n)) && !list.contains("leads-out"));
        assert!(server.get("/?target=mars&recipe=quick-look").1.contains(&names[0]));
        assert!(server.get("/?target=venus").1.contains("No run is of this kind."));
        assert_eq!(server.get(&format!("/run/{}", names[0])).0, 200);
        let (code, head, body) = server.ask("GET", &format!("/thumbnail/{}", names[1]), "");
        assert!(code == 200 && head.contains("content-type: image/jpeg") && body.starts_with(&[0xff, 0xd8]));
        assert!(head.contains("content-security-policy: default-src 'none'"));
        let pair = server.get(&format!("/compare?run={}&run={}", names[0], names[1]));
        assert!(pair.0 == 200 && pair.1.contains("Side by side"));
        assert_eq!(server.get(&format!("/compare?run={}", names[0])).0, 400);
        for way_out in [
            "/run/leads-out",
            "/run/..",
            "/run/../../clip.ser",
            "/run/..%2f..%2fclip.ser",
            "/run/%2e%2e%2felsewhere",
            "/thumbnail/%2fetc",
            "/run/",
            "/clip.ser",
            "/run/nowhere",
        ] {
            assert_eq!(server.get(way_out).0, 404, "{way_out}");
        }
        assert_eq!(server.ask("POST", "/", "Content-Length: 0\r\n").0, 405);
        assert_eq!(server.ask("GET", "/", "Host: example.org\r\n").0, 403);
        assert_eq!(server.get("/running").1, "[]");
        assert_eq!(listing(&here), before);
        assert_eq!(server.end(), Some(0));
    }

    #[test]
    fn a_run_at_work_is_shown() {
        let (here, _) = shop("serve-running");
        let server = Server::start(&here, "127.0.0.1:0");
        let note = r#"{"run":"r","pass":1,"passes":2,"steps":"found","done":3,"total":9}"#;
        std::fs::write(here.join("runs/.progress-r.json"), note).unwrap();
        let jobs: serde_json::Value = serde_json::from_str(&server.get("/running").1).unwrap();
        assert_eq!((&jobs[0]["run"], &jobs[0]["done"]), (&"r".into(), &3.into()));
    }

    #[test]
    fn other_machines_need_the_token() {
        let (here, _) = shop("serve-token");
        let server = Server::start(&here, "0.0.0.0:0");
        let (_, token) = server.address.split_once("?token=").unwrap();
        assert_eq!(token.len(), 32);
        assert_eq!(server.get("/").0, 403);
        assert_eq!(server.get("/?token=0123456789abcdef0123456789abcdef").0, 403);
        let (code, head, _) = server.ask("GET", &format!("/?token={token}"), "");
        assert!(code == 303 && head.contains("httponly") && head.contains("location: /"));
        assert_eq!(server.ask("GET", "/", &format!("Cookie: stillair={token}\r\n")).0, 200);
    }
}
