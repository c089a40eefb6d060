#include "clients/cli/report/assets.h"

#include <cstddef>

extern "C" {
extern const char plumule_report_bundle[];
extern const char plumule_report_bundle_end[];
}

namespace plumule::cli {

absl::string_view FigureLibraries() {
  return {plumule_report_bundle,
          static_cast<size_t>(plumule_report_bundle_end - plumule_report_bundle)};
}

absl::string_view FigureScript() {
  return R"js(
(function () {
  'use strict';
  // vega-interpreter 1.2 looks for this set of vega-util's in vega, whose bundle leaves it out.
  vega.DisallowedObjectProperties = vega.DisallowedObjectProperties ||
      new Set(Object.getOwnPropertyNames(Object.prototype).filter(function (name) {
        return typeof Object.prototype[name] === 'function';
      }));
  var nothing = {
    load: function () { return Promise.reject(new Error('reports load nothing')); },
    sanitize: function () { return Promise.reject(new Error('reports load nothing')); },
    http: function () { return Promise.reject(new Error('reports load nothing')); },
    file: function () { return Promise.reject(new Error('reports load nothing')); }
  };
  var config = {
    background: null,
    font: 'Georgia, "Noto Serif", serif',
    axis: {labelFontSize: 12, titleFontSize: 13, titleFontWeight: 'normal', labelColor: '#33413c',
           titleColor: '#1c2321', gridColor: '#e3e8e5', domainColor: '#8a978f',
           tickColor: '#8a978f'},
    legend: {labelFontSize: 12, titleFontSize: 13, titleFontWeight: 'normal', orient: 'top'},
    title: {fontSize: 14, fontWeight: 'normal', anchor: 'start'},
    view: {stroke: null}
  };
  // Plots stacked above each other share one width, which is not known to fit: drawn once, measured,
  // and drawn again by the difference.
  function fitted(place, spec) {
    var wide = place.firstElementChild.getBoundingClientRect().width - place.clientWidth;
    if (!spec.vconcat || Math.abs(wide) < 4) return null;
    spec.vconcat.forEach(function (part) {
      if (typeof part.width === 'number') part.width = Math.max(180, part.width - wide);
    });
    return spec;
  }
  function render(place, spec) {
    var compiled = vegaLite.compile(spec, {config: config});
    var view = new vega.View(vega.parse(compiled.spec, null, {ast: true}), {
      expr: vega.expressionInterpreter, renderer: 'svg', container: place, loader: nothing,
      hover: false, logLevel: vega.Error
    });
    return view.runAsync().then(function () { return view; });
  }
  function draw(place) {
    var spec = JSON.parse(document.getElementById(place.dataset.spec).textContent);
    var composed = spec.hconcat || spec.vconcat || spec.concat || spec.facet || spec.repeat;
    if (!composed) {
      spec.width = 'container';
      if (!spec.height) spec.height = 300;
      spec.autosize = {type: 'fit', contains: 'padding', resize: true};
    }
    delete spec.title;
    return render(place, spec).then(function (view) {
      var again = fitted(place, spec);
      if (!again) return null;
      view.finalize();
      place.replaceChildren();
      return render(place, again);
    }).then(function () {
      place.classList.add('drawn');
      var words = document.getElementById(place.dataset.words);
      if (words) words.open = false;
    });
  }
  var places = Array.prototype.slice.call(document.querySelectorAll('[data-spec]'));
  Promise.all(places.map(function (place) {
    try {
      return draw(place).catch(function () { place.classList.add('undrawn'); });
    } catch (error) {
      place.classList.add('undrawn');
      return null;
    }
  })).then(function () { document.documentElement.dataset.figures = 'done'; });
  var closed = [];
  window.addEventListener('beforeprint', function () {
    closed = Array.prototype.slice.call(document.querySelectorAll('details:not([open])'));
    closed.forEach(function (d) { d.open = true; });
  });
  window.addEventListener('afterprint', function () {
    closed.forEach(function (d) { d.open = false; });
  });
})();
)js";
}

absl::string_view StyleSheet() {
  return R"css(
:root{--ink:#1c2321;--soft:#4a5851;--leaf:#2c5b40;--leaf-pale:#e4ece2;--paper:#fcfbf7;
--card:#ffffff;--line:#d8dfd6;--clay:#8f4a22;--clay-pale:#f7ebe2}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);
font:1.0625rem/1.6 Georgia,"Noto Serif",serif}
a{color:var(--leaf)}
a:focus-visible,summary:focus-visible{outline:3px solid var(--clay);outline-offset:2px}
.skip{position:absolute;left:-999rem}
.skip:focus{left:1rem;top:1rem;background:var(--card);padding:.5rem 1rem}
header,main,footer{max-width:54rem;margin:0 auto;padding:0 1.25rem}
header{padding-top:2.5rem}
.stem{display:block;width:2.6rem;height:2.6rem;color:var(--leaf)}
.study{margin:.75rem 0 0;font:600 .9rem/1.4 system-ui,"Noto Sans",sans-serif;letter-spacing:.02em;
color:var(--leaf)}
h1{font-size:clamp(1.7rem,1.2rem + 2.2vw,2.6rem);line-height:1.2;font-weight:400;margin:.35rem 0 0;
text-wrap:balance;overflow-wrap:anywhere}
.finding{margin:2rem 0 0;background:var(--leaf-pale);border-left:.4rem solid var(--leaf);
padding:1.4rem 1.5rem;border-radius:0 .5rem .5rem 0}
.finding p{margin:.6rem 0 0}
.finding h2{margin:0;font:600 .85rem/1.4 system-ui,"Noto Sans",sans-serif;letter-spacing:.04em;
color:var(--leaf);text-transform:none;border:0;padding:0}
.finding .lead{font-size:clamp(1.25rem,1.05rem + 1vw,1.65rem);line-height:1.4}
.status{font-style:italic;color:var(--soft)}
h2{font-size:1.45rem;font-weight:400;margin:3rem 0 .8rem;padding-top:1rem;
border-top:1px solid var(--line);line-height:1.3}
h3{font:600 1rem/1.4 system-ui,"Noto Sans",sans-serif;margin:1.8rem 0 .5rem}
p,li{max-width:42rem;overflow-wrap:anywhere}
.small,table,summary,.key{font:.9375rem/1.5 system-ui,"Noto Sans",sans-serif}
.small{color:var(--soft)}
.note{background:var(--clay-pale);border-left:.25rem solid var(--clay);padding:.8rem 1rem;
border-radius:0 .4rem .4rem 0;margin:.7rem 0;max-width:none}
.note p{margin:.3rem 0}
.note ul{margin:.3rem 0;padding-left:1.2rem}
.scroll{overflow-x:auto;margin:.8rem 0}
table{border-collapse:collapse;width:100%;background:var(--card)}
caption{text-align:left;color:var(--soft);padding:.3rem 0}
th,td{text-align:left;padding:.5rem .7rem;border-bottom:1px solid var(--line);vertical-align:top}
th{font-weight:600}
thead th{border-bottom:2px solid var(--leaf);white-space:nowrap}
td.limits{white-space:nowrap;font-variant-numeric:tabular-nums}
td.number,th.number{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
code{font:.875rem/1.5 ui-monospace,"Noto Sans Mono",monospace;overflow-wrap:anywhere}
.effects{background:var(--card);border:1px solid var(--line);border-radius:.5rem;
padding:1.2rem 1.4rem;margin:1.5rem 0}
.effect{margin:0 0 1.1rem}
.effect .what{display:flex;flex-wrap:wrap;justify-content:space-between;gap:.1rem 1rem;
font:.9375rem/1.5 system-ui,"Noto Sans",sans-serif}
.effect .what b{font-weight:600}
.track{position:relative;height:1.9rem}
.track .base{position:absolute;left:0;right:0;top:50%;border-top:1px solid var(--line)}
.track .band{position:absolute;top:0;bottom:0;background:var(--leaf-pale)}
.track .zero{position:absolute;top:0;bottom:0;border-left:2px dashed var(--soft)}
.track .reach{position:absolute;top:calc(50% - .25rem);height:.5rem;background:var(--leaf);
border-radius:.25rem;print-color-adjust:exact;-webkit-print-color-adjust:exact}
.track .reach.open-low{border-top-left-radius:0;border-bottom-left-radius:0}
.track .point{position:absolute;top:50%;width:1.05rem;height:1.05rem;margin:-.525rem 0 0 -.525rem;
background:var(--clay);border:2px solid var(--card);transform:rotate(45deg);
print-color-adjust:exact;-webkit-print-color-adjust:exact}
.ticks{position:relative;height:1.6rem;border-top:1px solid var(--soft);
font:.8125rem/1.6 system-ui,"Noto Sans",sans-serif;color:var(--soft)}
.ticks span{position:absolute;transform:translateX(-50%);white-space:nowrap}
.ticks span:first-child{transform:none}
.ticks span:last-child{transform:translateX(-100%)}
.sides{display:flex;justify-content:space-between;gap:1rem;color:var(--soft);
font:.875rem/1.4 system-ui,"Noto Sans",sans-serif}
.sides span:last-child{text-align:right}
figure{margin:1.2rem 0 2.2rem;background:var(--card);border:1px solid var(--line);
border-radius:.5rem;padding:1.2rem 1.4rem}
figcaption h3{margin:0 0 .2rem}
figcaption p{margin:.2rem 0 .8rem;color:var(--soft);font-size:1rem}
.plot{width:100%;overflow-x:auto}
.plot.drawn{min-height:4rem}
.plot svg{max-width:none}
details{margin-top:.8rem}
summary{cursor:pointer;color:var(--leaf);padding:.25rem 0}
.verdict{display:inline-block;font:600 .8125rem/1.5 system-ui,"Noto Sans",sans-serif;
padding:.05rem .55rem;border-radius:1rem;border:1px solid currentColor;white-space:nowrap}
.verdict.holds{color:var(--leaf)}
.verdict.doubtful,.verdict.fails{color:var(--clay)}
.verdict.not-checked{color:var(--soft)}
dl.key{display:grid;grid-template-columns:minmax(8rem,14rem) 1fr;gap:.35rem 1rem;margin:0}
dl.key dt{color:var(--soft)}
dl.key dd{margin:0;overflow-wrap:anywhere}
footer{padding-top:2rem;padding-bottom:3rem;color:var(--soft);
font:.875rem/1.5 system-ui,"Noto Sans",sans-serif}
@media (max-width:36rem){
.finding{margin-left:-1.25rem;margin-right:-1.25rem;border-radius:0}
.effects,figure{padding:1rem;margin-left:-.5rem;margin-right:-.5rem}
dl.key{grid-template-columns:1fr;gap:0}
dl.key dd{margin-bottom:.6rem}
table.estimates thead{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}
table.estimates tr{display:block;padding:.6rem 0;border-bottom:1px solid var(--line)}
table.estimates th,table.estimates td{display:block;padding:.1rem 0;border:0;text-align:left}}
@media print{
body{background:#fff;font-size:10.5pt}
header,main,footer{max-width:none}
figure,.effects,.finding,tr,.note{break-inside:avoid}
h2,h3{break-after:avoid}
summary{list-style:none;color:var(--soft)}
.scroll,.plot{overflow:visible}}
)css";
}

}  // namespace plumule::cli
