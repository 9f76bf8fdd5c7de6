// A spin's data: from a JSON block of the page, or from spin.js on any host. spin.js is a classic
// script, since plain hosts send no CORS header and a fetch across origins would be blocked:
//   (window.kickSpin = window.kickSpin || []).push({src: document.currentScript.src, spin: {…}})

const spins = {}; // address of spin.js -> the spin
const asked = {}; // address of spin.js -> promise of it

function receive(entry) {
  if (entry?.spin) spins[entry.src] = entry.spin;
}

function openRegistry() {
  const early = window.kickSpin;
  window.kickSpin = { push: receive };
  if (Array.isArray(early)) early.forEach(receive);
}

// Every address is asked once, for any number of elements; again only if nothing came.
function readSpin(src) {
  return (asked[src] ||= new Promise((resolve, reject) => {
    const settle = () => {
      if (spins[src]) return resolve(spins[src]);
      delete asked[src];
      reject();
    };
    if (spins[src]) return settle();
    const script = make('script', { src });
    script.onload = script.onerror = () => {
      script.remove();
      settle();
    };
    document.head.append(script);
  }));
}
