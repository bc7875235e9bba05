//! A person at the real window: WebKit's own WebDriver starts the program, and things are found as people find them,
//! by the words on them.

use std::fs;
use std::future::Future;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use fantoccini::elements::Element;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use sheetloft_tests::{Cli, program};
use tempfile::TempDir;
use tokio::time::Instant;

/// Longest wait for something to appear. Nothing waits a fixed time.
const PATIENCE: Duration = Duration::from_secs(60);

/// The window over a shop file of its own that does not exist yet.
pub struct Window {
    client: Client,
    driver: Child,
    folder: TempDir,
}

/// Opens the window, lets `person` use it, and checks the books of the shop afterwards.
pub fn with_window<F: Future<Output = Window>>(person: impl FnOnce(Window) -> F) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let mut window = person(Window::open().await).await;
        assert_eq!(window.cli().json(&["check"])["ok"], json!(true), "the books are in order");
        // The session ends with its process; what matters was asserted.
        let _ = window.client.clone().close().await;
        window.driver.kill().expect("the driver ends");
        window.driver.wait().expect("the driver has ended");
    });
}

impl Window {
    async fn open() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        fs::create_dir(folder.path().join("files")).expect("a folder for files");
        // A port that was free a moment ago; the driver cannot choose one itself.
        let port = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a port").port();
        let driver = Command::new("WebKitWebDriver")
            .args([format!("--port={port}"), "--host=127.0.0.1".to_owned()])
            .env("SHEETLOFT_SHOP", folder.path().join("shop.db"))
            .env("SHEETLOFT_FILES", folder.path().join("files"))
            .env("HOME", folder.path())
            .env("XDG_DATA_HOME", folder.path().join("data"))
            .env("XDG_CACHE_HOME", folder.path().join("cache"))
            .env("XDG_CONFIG_HOME", folder.path().join("config"))
            .env("TAURI_WEBVIEW_AUTOMATION", "true")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("WebKitWebDriver runs: Debian's webkit2gtk-driver");
        let options = json!({ "binary": program("sheetloft-window"), "args": [] });
        let mut builder = ClientBuilder::new(HttpConnector::new());
        builder.capabilities(serde_json::Map::from_iter([("webkitgtk:browserOptions".to_owned(), options)]));
        let address = format!("http://127.0.0.1:{port}");
        let deadline = Instant::now() + PATIENCE;
        let client = loop {
            match builder.connect(&address).await {
                Ok(client) => break client,
                Err(e) if Instant::now() > deadline => panic!("no session: {e}"),
                // The driver is not listening yet.
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            }
        };
        Self { client, driver, folder }
    }

    /// The same shop on the command line.
    pub fn cli(&self) -> Cli {
        Cli::over(self.folder.path().join("shop.db"))
    }

    /// A path in the test's folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What the window has saved, by name, in order.
    pub fn saved(&self) -> Vec<PathBuf> {
        let mut files: Vec<_> =
            fs::read_dir(self.path("files")).expect("the folder").map(|e| e.expect("a file").path()).collect();
        files.sort();
        files
    }

    /// Waits for what an XPath names.
    pub async fn find(&self, xpath: &str) -> Element {
        match self.client.wait().at_most(PATIENCE).for_element(Locator::XPath(xpath)).await {
            Ok(element) => element,
            Err(e) => panic!("{xpath}: {e}\nThe screen says:\n{}", self.text().await),
        }
    }

    /// Waits for a text on the screen.
    pub async fn sees(&self, text: &str) {
        self.find(&format!("//body//*[not(self::script)][contains(normalize-space(.), {})]", quoted(text))).await;
    }

    /// Waits for a heading that says this.
    pub async fn heading(&self, text: &str) {
        self.find(&format!("//*[self::h1 or self::h2 or self::h3][contains(normalize-space(.), {})]", quoted(text)))
            .await;
    }

    /// Everything that can be read on the screen.
    pub async fn text(&self) -> String {
        match self.client.find(Locator::Css("body")).await {
            Ok(body) => body.text().await.unwrap_or_default(),
            Err(e) => e.to_string(),
        }
    }

    /// Presses a button, or follows a link, by what stands on it; in a dialogue while one is open.
    pub async fn press(&self, words: &str) {
        let words = quoted(words);
        self.click(&format!(
            "(//dialog[@open]//button | //dialog[@open]//a \
             | //*[not(//dialog[@open])][not(ancestor::nav)][self::button or self::a])\
             [not(@disabled)][normalize-space(.) = {words} or @aria-label = {words} or strong = {words} or */strong = {words}]"
        ))
        .await;
    }

    /// Follows the link in the side bar.
    pub async fn go(&self, place: &str) {
        self.click(&format!("//nav//a[normalize-space(.) = {}]", quoted(place))).await;
    }

    /// Folds out what is seldom needed.
    pub async fn unfold(&self, words: &str) {
        self.click(&format!("//details[not(@open)]/summary[normalize-space(.) = {}]", quoted(words))).await;
    }

    /// Chooses one of a few that are all in sight.
    pub async fn choose(&self, words: &str) {
        let label = "//label[.//input[@type='radio' or @type='checkbox']]";
        self.click(&format!("{label}[normalize-space(.) = {}]", quoted(words))).await;
    }

    /// Types into the field of this name, in the place of what stands there.
    pub async fn fill(&self, label: &str, text: &str) {
        let field = self.field(label).await;
        field.clear().await.unwrap_or_else(|e| panic!("{label} cannot be cleared: {e:?}"));
        field.send_keys(text).await.unwrap_or_else(|e| panic!("{label} cannot be filled in: {e:?}"));
    }

    /// Scans while the field of this name has the focus: keys one upon the other, and Enter.
    pub async fn scan_into(&self, label: &str, text: &str) {
        const ENTER: char = '\u{e007}';
        let keys = format!("{text}{ENTER}");
        self.field(label).await.send_keys(&keys).await.unwrap_or_else(|e| panic!("{label} takes no keys: {e:?}"));
    }

    /// What stands in the field of this name.
    pub async fn value(&self, label: &str) -> String {
        let value = self.field(label).await.prop("value").await.expect("a field");
        value.unwrap_or_default()
    }

    /// Chooses from the list of this name.
    pub async fn select(&self, label: &str, option: &str) {
        // The list may still be on its way.
        self.find(&format!("//option[normalize-space(.) = {}]", quoted(option))).await;
        self.field(label).await.select_by_label(option).await.expect("an option");
    }

    /// Hands a file to the field of this name.
    pub async fn give(&self, label: &str, file: &Path) {
        let field = self.field(label).await;
        field.send_keys(&file.display().to_string()).await.expect("a field for files");
    }

    async fn field(&self, label: &str) -> Element {
        let label = quoted(label);
        let named = format!("@aria-label = {label} or @id = //label[starts-with(normalize-space(.), {label})]/@for");
        let inside = "//*[self::input or self::select or self::textarea]";
        let field = self.find(&format!("(//dialog[@open]{inside} | {inside}[not(//dialog[@open])])[{named}]")).await;
        self.show(&field).await;
        field
    }

    /// Presses the first that an XPath names, once it can be pressed: a screen that is still being drawn may put
    /// another in its place meanwhile.
    pub async fn click(&self, xpath: &str) {
        let deadline = Instant::now() + PATIENCE;
        loop {
            let element = self.find(xpath).await;
            self.show(&element).await;
            match element.click().await {
                Ok(()) => return,
                Err(e) if Instant::now() > deadline => {
                    panic!("{xpath} cannot be pressed: {e:?}\n{}", self.text().await)
                }
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            }
        }
    }

    /// Scrolls to the first that an XPath names.
    pub async fn look_at(&self, xpath: &str) {
        let element = self.find(xpath).await;
        self.show(&element).await;
    }

    /// Brings it into the middle of the window, as a person scrolls before pressing.
    async fn show(&self, element: &Element) {
        let arguments = vec![serde_json::to_value(element).expect("an element")];
        let script = "arguments[0].scrollIntoView({ block: 'center', behavior: 'instant' })";
        // An element that is gone meanwhile is found again by the caller.
        let _ = self.client.execute(script, arguments).await;
    }

    /// How many elements an XPath names now.
    pub async fn count(&self, xpath: &str) -> usize {
        self.client.find_all(Locator::XPath(xpath)).await.map_or(0, |found| found.len())
    }

    /// Runs a script in the window.
    pub async fn script(&self, script: &str) -> Value {
        self.client.execute(script, Vec::new()).await.expect("a script")
    }

    /// Takes a picture for the README, where `SHEETLOFT_PICTURES` names a folder for them.
    pub async fn picture(&self, name: &str) {
        let Some(folder) = std::env::var_os("SHEETLOFT_PICTURES").map(PathBuf::from) else { return };
        // Two frames, so that what was just changed has been drawn.
        let drawn = "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(() => done(true)));";
        self.client.execute_async(drawn, Vec::new()).await.expect("two frames");
        let png = self.client.screenshot().await.expect("a picture");
        fs::create_dir_all(&folder).expect("the folder for pictures");
        fs::write(folder.join(format!("{name}.png")), png).expect("the picture");
    }
}

impl Drop for Window {
    fn drop(&mut self) {
        // Also where a test fails: the driver takes the window with it.
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// Text as XPath writes it.
fn quoted(text: &str) -> String {
    assert!(!text.contains('"'), "no double quotes in {text}");
    format!("\"{text}\"")
}
