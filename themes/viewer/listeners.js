// The single way to listen: whatever was added here is taken off by clear().

class Listeners {
  all = [];

  add(target, type, heard, options) {
    target.addEventListener(type, heard, options);
    this.all.push(() => target.removeEventListener(type, heard, options));
  }

  clear() {
    for (const remove of this.all.splice(0)) remove();
  }
}
