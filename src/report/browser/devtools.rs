//! Chromium driven over its DevTools pipe: commands as JSON with a zero byte after each, answers and events the same way.
//!
//! The browser reads commands from file descriptor 3 and answers on 4; a shell puts them where a child process of the standard
//! library has its input and output, so that no port is opened and no further crate is needed.

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

/// How long an answer may take on a busy machine.
const PATIENCE: Duration = Duration::from_secs(90);

/// A browser of its own, with a profile that goes with it.
pub(crate) struct Browser {
    child: Child,
    commands: ChildStdin,
    answers: Receiver<Value>,
    last: u64,
    _profile: tempfile::TempDir,
}

/// A page in a window of a given size.
pub(crate) struct Tab<'b> {
    browser: &'b mut Browser,
    session: String,
    /// What the page did since it was opened.
    pub(crate) events: Vec<Value>,
}

impl Browser {
    pub(crate) fn start() -> Self {
        let profile = tempfile::tempdir().unwrap();
        let program = std::env::var_os("CHROMIUM").unwrap_or_else(|| "chromium".into());
        let mut child = Command::new("sh")
            .args(["-c", r#"exec "$0" "$@" 3<&0 4>&1 </dev/null >/dev/null"#])
            .arg(program)
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"])
            .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
            .args(["--hide-scrollbars", "--remote-debugging-pipe"])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("Chromium starts");
        let commands = child.stdin.take().unwrap();
        let mut from = BufReader::new(child.stdout.take().unwrap());
        let (send, answers) = channel();
        std::thread::spawn(move || {
            let mut message = Vec::new();
            while from.read_until(0, &mut message).is_ok_and(|n| n > 0) {
                message.pop_if(|b| *b == 0);
                let Ok(value) = serde_json::from_slice(&message) else { break };
                if send.send(value).is_err() {
                    break;
                }
                message.clear();
            }
        });
        Self { child, commands, answers, last: 0, _profile: profile }
    }

    /// Opens a page and waits until it is loaded.
    pub(crate) fn open(&mut self, page: &Path, size: [u32; 2]) -> Tab<'_> {
        let mut unasked = Vec::new();
        let target = self.call(None, "Target.createTarget", json!({"url": "about:blank"}), &mut unasked);
        let attach = json!({"targetId": target["targetId"], "flatten": true});
        let session = self.call(None, "Target.attachToTarget", attach, &mut unasked);
        let session = session["sessionId"].as_str().expect("a session").to_owned();
        let mut tab = Tab { browser: self, session, events: Vec::new() };
        for domain in ["Page", "Runtime", "Log", "Network"] {
            tab.call(&format!("{domain}.enable"), json!({}));
        }
        tab.size(size);
        // Scrolling that takes its time would move what is about to be clicked on.
        tab.medium("", "light");
        tab.events.clear();
        tab.call("Page.navigate", json!({"url": format!("file://{}", page.display())}));
        tab.wait_for("Page.loadEventFired");
        tab
    }

    fn call(&mut self, session: Option<&str>, method: &str, params: Value, events: &mut Vec<Value>) -> Value {
        self.last += 1;
        let mut command = json!({"id": self.last, "method": method, "params": params});
        if let Some(session) = session {
            command["sessionId"] = json!(session);
        }
        let mut bytes = command.to_string().into_bytes();
        bytes.push(0);
        self.commands.write_all(&bytes).expect("Chromium listens");
        let start = Instant::now();
        loop {
            let left = PATIENCE.saturating_sub(start.elapsed());
            let answer = self.answers.recv_timeout(left).unwrap_or_else(|e| panic!("{method}: no answer, {e}"));
            if answer["id"] == self.last {
                assert!(answer["error"].is_null(), "{method}: {}", answer["error"]);
                return answer["result"].clone();
            }
            events.push(answer);
        }
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // It may be gone already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Tab<'_> {
    pub(crate) fn call(&mut self, method: &str, params: Value) -> Value {
        self.browser.call(Some(&self.session), method, params, &mut self.events)
    }

    fn wait_for(&mut self, event: &str) {
        let start = Instant::now();
        while !self.events.iter().any(|e| e["method"] == event) {
            let left = PATIENCE.saturating_sub(start.elapsed());
            let next = self.browser.answers.recv_timeout(left);
            self.events.push(next.unwrap_or_else(|e| panic!("{event} did not happen: {e}")));
        }
    }

    /// Sets the size of the window, in pixels.
    pub(crate) fn size(&mut self, [width, height]: [u32; 2]) {
        let metrics = json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false});
        self.call("Emulation.setDeviceMetricsOverride", metrics);
    }

    /// Has the page believe in a medium ("print", "" for the screen) and a scheme of colours ("light", "dark").
    pub(crate) fn medium(&mut self, medium: &str, scheme: &str) {
        let features = json!([{"name": "prefers-color-scheme", "value": scheme},
                              {"name": "prefers-reduced-motion", "value": "reduce"}]);
        self.call("Emulation.setEmulatedMedia", json!({"media": medium, "features": features}));
    }

    /// The value of an expression, awaited when it is a promise.
    pub(crate) fn value(&mut self, expression: &str) -> Value {
        let params = json!({"expression": expression, "awaitPromise": true, "returnByValue": true});
        let answer = self.call("Runtime.evaluate", params);
        assert!(answer["exceptionDetails"].is_null(), "{expression}: {}", answer["exceptionDetails"]);
        answer["result"]["value"].clone()
    }

    /// Lets the page answer the wheel, a timer or a scroll.
    pub(crate) fn pause(&mut self) {
        self.value("new Promise(done => setTimeout(done, 600))");
    }

    /// The middle of the first element that a selector finds, brought into view.
    pub(crate) fn middle(&mut self, selector: &str) -> [f64; 2] {
        let found = self.value(&format!(
            "(() => {{ const e = document.querySelector({selector:?}); e.scrollIntoView({{block: 'center', behavior: 'instant'}}); \
             const r = e.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; }})()"
        ));
        [0, 1].map(|i| found[i].as_f64().unwrap_or_else(|| panic!("{selector} is not there")))
    }

    /// An event of the mouse at a place of the window.
    pub(crate) fn mouse(&mut self, kind: &str, [x, y]: [f64; 2], more: Value) {
        let mut event = json!({"type": kind, "x": x, "y": y});
        event.as_object_mut().unwrap().extend(more.as_object().cloned().unwrap_or_default());
        self.call("Input.dispatchMouseEvent", event);
    }

    /// Presses and lets go of the left button over an element.
    pub(crate) fn click(&mut self, selector: &str) {
        let at = self.middle(selector);
        for kind in ["mouseMoved", "mousePressed", "mouseReleased"] {
            self.mouse(kind, at, json!({"button": "left", "clickCount": 1}));
        }
    }

    /// Presses and lets go of a key, for whatever has the focus.
    pub(crate) fn key(&mut self, key: &str) {
        for kind in ["rawKeyDown", "keyUp"] {
            self.call("Input.dispatchKeyEvent", json!({"type": kind, "key": key}));
        }
    }

    /// The pixels of an element as they are shown.
    pub(crate) fn picture(&mut self, selector: &str) -> image::RgbImage {
        let _ = self.middle(selector);
        let clip = self.value(&format!(
            "(() => {{ const r = document.querySelector({selector:?}).getBoundingClientRect(); \
             return {{x: r.left + scrollX, y: r.top + scrollY, width: r.width, height: r.height, scale: 1}}; }})()"
        ));
        let shot = self.call("Page.captureScreenshot", json!({"format": "png", "clip": clip}));
        let bytes = STANDARD.decode(shot["data"].as_str().expect("a picture")).unwrap();
        image::load_from_memory(&bytes).expect("a PNG").to_rgb8()
    }

    /// How many sheets of a size in inches the page is printed on.
    pub(crate) fn sheets(&mut self, [width, height]: [f64; 2]) -> usize {
        let params =
            json!({"paperWidth": width, "paperHeight": height, "printBackground": true, "preferCSSPageSize": false});
        let printed = self.call("Page.printToPDF", params);
        let bytes = STANDARD.decode(printed["data"].as_str().expect("a PDF")).unwrap();
        String::from_utf8_lossy(&bytes).matches("/Type /Page\n").count()
    }

    /// What the page complained of: console, log (which the page's own policy complains to), exceptions and dialogues.
    pub(crate) fn complaints(&self) -> Vec<String> {
        let kinds =
            ["Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded", "Page.javascriptDialogOpening"];
        let of_this = self.events.iter().filter(|e| e["sessionId"] == self.session.as_str());
        of_this.filter(|e| kinds.iter().any(|k| e["method"] == *k)).map(Value::to_string).collect()
    }

    /// Every address that the page asked for.
    pub(crate) fn requests(&self) -> Vec<String> {
        let asked = self.events.iter().filter(|e| e["method"] == "Network.requestWillBeSent");
        asked.filter_map(|e| e["params"]["request"]["url"].as_str().map(str::to_owned)).collect()
    }
}
