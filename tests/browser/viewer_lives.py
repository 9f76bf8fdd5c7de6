"""Scripts that count what a viewer leaves behind, and that create and remove it a hundred times."""

from __future__ import annotations

COUNT_LEFTOVERS = """
    window.left = {listeners: 0, observers: 0, timers: 0, frames: 0};
    const patch = (object, name, make) => { object[name] = make(object[name]) };
    const kinds = [Window, Document, Element, MediaQueryList];
    const counted = one => kinds.some(kind => one instanceof kind);
    for (const [name, by] of [['addEventListener', 1], ['removeEventListener', -1]]) {
        patch(EventTarget.prototype, name, real => function (...all) {
            if (counted(this)) left.listeners += by;
            return real.apply(this, all);
        });
    }
    for (const kind of [IntersectionObserver, ResizeObserver]) {
        for (const [name, on] of [['observe', true], ['disconnect', false]]) {
            patch(kind.prototype, name, real => function (...all) {
                left.observers += on - !!this.on;
                this.on = on;
                return real.apply(this, all);
            });
        }
    }
    for (const [start, stop, name] of [['setTimeout', 'clearTimeout', 'timers'],
                                       ['requestAnimationFrame', 'cancelAnimationFrame', 'frames']]) {
        const open = new Set();
        const close = id => { open.delete(id); left[name] = open.size };
        patch(window, start, real => (act, ...more) => {
            const id = real((...all) => { close(id); act(...all) }, ...more);
            left[name] = open.add(id).size;
            return id;
        });
        patch(window, stop, real => id => { close(id); real(id) });
    }
"""

# Counts go to `left`; `firsts`: how many listeners the page's own viewer had.
LIVE = """async () => {
        const first = document.querySelector('kick-spin');
        const pause = ms => new Promise(done => {  // without a timer, since those are counted
            const end = performance.now() + ms, channel = new MessageChannel();
            const again = () => channel.port2.postMessage(0);
            channel.port1.onmessage = () => performance.now() < end ? again() : done(channel.port1.close());
            again();
        });
        const before = {...left}, data = first.dataset.spin, base = first.getAttribute('base');
        first.remove();
        left.listeners -= window.others = left.listeners; // what remains now is the test tool's own
        window.firsts = before.listeners - others;
        for (let life = 0; life < 100; life++) {
            const spin = document.createElement('kick-spin');
            spin.setAttribute('data-spin', data);
            spin.setAttribute('base', base);
            document.body.append(spin);
            spin.play(); spin.zoom(2);
            if (life % 10 === 0) await pause(40);
            spin.remove();
        }
        await pause(600) }"""
