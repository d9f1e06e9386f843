// A report in a real browser: no console message, no network, no sideways scrolling at 360 px, no serious
// finding of axe, in light and dark; with a folder, screenshots and PDFs for A4 and Letter too.
//
//   npm install --no-save axe-core@4.14 playwright-core@1.65    (anywhere; needs Debian's chromium)
//   node tests/outside/check_report.mjs harvest/report.html [FOLDER]
import { createRequire } from "node:module";
import { resolve } from "node:path";

// Modules are looked for where the command is run, not beside this file.
const require = createRequire(resolve("check.js"));
const { chromium } = require("playwright-core");
const axe = require.resolve("axe-core/axe.min.js");
const [page_file, folder] = process.argv.slice(2);
const browser = await chromium.launch({ executablePath: "/usr/bin/chromium", args: ["--no-sandbox", "--disable-gpu"] });
let bad = 0;
for (const width of [360, 1200]) {
  for (const colorScheme of ["light", "dark"]) {
    const page = await browser.newPage({ viewport: { width, height: 900 }, colorScheme });
    const complaints = [];
    page.on("console", (m) => complaints.push(`console: ${m.text()}`));
    page.on("pageerror", (e) => complaints.push(`error: ${e}`));
    page.on("request", (r) => /^(file|data):/.test(r.url()) || complaints.push(`request: ${r.url()}`));
    await page.goto(`file://${resolve(page_file)}`);
    const across = await page.evaluate(() => document.documentElement.scrollWidth);
    if (across > width) complaints.push(`scrolls sideways: ${across} px`);
    if (folder) {
      await page.screenshot({ path: `${folder}/${width}-${colorScheme}.png`, fullPage: true });
      for (const format of ["A4", "Letter"]) await page.pdf({ path: `${folder}/${format}.pdf`, format });
    }
    await page.addScriptTag({ path: axe });
    const found = await page.evaluate(() => axe.run());
    const serious = found.violations.filter((v) => ["serious", "critical"].includes(v.impact));
    complaints.push(...serious.map((v) => `axe: ${v.id}: ${v.help}`));
    console.log(`${width} px ${colorScheme}: ${found.passes.length} rules passed, ${complaints.length} findings`);
    complaints.forEach((c) => console.log(`  ${c}`));
    bad += complaints.length;
    await page.close();
  }
}
await browser.close();
process.exit(bad ? 1 : 0);
