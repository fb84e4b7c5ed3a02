#!/usr/bin/env bash
# Runs the tests of disks where this machine's own kernel has no driver for them, vfat above all:
#
#     bash tests/hard/disks.sh [PYTHON]
#
# Debian's kernel is run by qemu, with this machine's files as its own, read only; what the tests
# make is in its memory. It needs Debian's qemu-system-x86, busybox-static, cpio, kmod, dosfstools,
# exfatprogs and ntfs-3g, and root.
set -euo pipefail

root=$(cd "$(dirname "$0")/../.." && pwd)
python=${1:-$root/.venv/bin/python}
for tool in qemu-system-x86_64 busybox cpio depmod mkfs.vfat mkfs.exfat mkntfs "$python"; do
  if ! command -v "$tool" >/dev/null; then
    echo "skipped: there is no $tool here"
    exit 0
  fi
done
# Not among the temporary files: /tmp is memory to the tests.
place=$(mktemp -d "$root/.disks-XXXX")
trap 'rm -rf "$place"' EXIT

unpack_kernel() {
  local package
  package=$(apt-cache depends linux-image-amd64 | awk '/Depends/ { print $2; exit }')
  (cd "$place" && apt-get download -q "$package" 2>/dev/null >&2)
  dpkg -x "$place"/linux-image-*.deb "$place/kernel"
  version=$(ls "$place/kernel/lib/modules")
  depmod -b "$place/kernel" "$version"
}

make_first_files() {
  local first=$place/first kernel=(-d "$place/kernel" -S "$version") module file
  mkdir -p "$first"/{bin,modules,proc,sys,dev,root}
  cp "$(command -v busybox)" "$first/bin/busybox"
  for module in virtio_pci 9pnet_virtio 9p loop vfat nls_{cp437,iso8859-1,utf8,ascii} exfat fuse; do
    for file in $(modprobe "${kernel[@]}" --show-depends "$module" | awk '/^insmod/ { print $2 }'); do
      [ -e "$first/modules/$(basename "$file")" ] || basename "$file" >>"$first/order"
      cp "$file" "$first/modules"
    done
  done
  cat >"$first/init" <<INIT
#!/bin/busybox sh
for kind in proc sysfs:sys devtmpfs:dev; do /bin/busybox mount -t \${kind%:*} none /\${kind#*:}; done
for module in \$(/bin/busybox cat /order); do /bin/busybox insmod /modules/\$module; done
/bin/busybox mount -t 9p -o trans=virtio,version=9p2000.L,ro,msize=512000,cache=loose host /root
for kind in proc sys dev; do /bin/busybox mount --move /\$kind /root/\$kind; done
exec /bin/busybox switch_root /root $place/run
INIT
  chmod +x "$first/init"
  (cd "$first" && find . | cpio -o -H newc --quiet | gzip -1) >"$place/first.gz"
}

make_run() {
  cat >"$place/run" <<RUN
#!/bin/bash
export PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/tmp LANG=C.UTF-8 PYTHONDONTWRITEBYTECODE=1
mount -t tmpfs none /tmp
mount -t tmpfs none /run
cd "$root"
"$python" -m pytest -q -p no:cacheprovider tests/system/test_disks.py
echo o >/proc/sysrq-trigger
sleep 60
RUN
  chmod +x "$place/run"
}

unpack_kernel
make_first_files
make_run
# Without KVM, which many a machine hasn't: it takes some minutes.
timeout 1800 qemu-system-x86_64 -accel tcg -cpu max,la57=off -m 1500 -nographic -no-reboot \
  -kernel "$place"/*/*/vmlinuz-* -initrd "$place/first.gz" \
  -append "console=ttyS0 loglevel=0 panic=-1" -nic none \
  -virtfs local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap </dev/null
