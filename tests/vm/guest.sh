#!/bin/busybox sh
# Runs as the first program of the small machine. Modules lie in /m, results go to /out (a folder of the host).
/bin/busybox --install -s /bin
export PATH=/bin
# The shell would take its own small `ip`, which knows no CAN.
ip() { ip.real "$@"; }
mount -t proc p /proc
mount -t sysfs s /sys
mount -t devtmpfs d /dev
mkdir -p /out /tmp
for m in $(cat /m/order); do insmod "/m/$m.ko" || echo "no module $m"; done
mount -t 9p -o trans=virtio,version=9p2000.L out /out || poweroff -f

# begin NAME LINK [OPTION]...: records in the background; returns once the socket is open.
begin() {
    name=$1 link=$2
    shift 2
    $as soakwatch watch --plain --link "$link" --captures "/tmp/$name" "$@" >"/tmp/$name.txt" 2>&1 &
    program=$!
    for _ in $(seq 200); do
        [ -f "$(echo /tmp/"$name"/*/raw.pcapng)" ] && break
        usleep 50000
    done
}

# finish NAME: ends the run in order and hands the capture over.
finish() {
    usleep 500000
    awk -v name="$1" '{printf "%s: processor time %.2f s\n", name, ($14 + $15) / 100}' "/proc/$program/stat"
    kill -INT "$program"
    wait "$program"
    echo "$1: ended with $?"
    cp -r "/tmp/$1"/* "/out/$1"
    cp "/tmp/$1.txt" /out/
}

# drops WHEN: what the interfaces lost so far.
drops() {
    for i in can0 can1 vcan0; do
        echo "$1: $i dropped $(cat /sys/class/net/$i/statistics/rx_dropped) overran" \
            "$(cat /sys/class/net/$i/statistics/rx_over_errors)"
    done
}

{
    uname -r
    ip link add vcan0 type vcan
    soakwatch watch --link can:vcan0 2>&1
    soakwatch watch --link can:can9 2>&1
    ip link set vcan0 mtu 72 up
    ip link set can0 up type can bitrate 500000
    ip link set can1 up type can bitrate 500000 listen-only on
    soakwatch links | sed -n '/^CAN/,/^$/p'

    # A full bus: a frame with 8 bytes and an 11-bit identifier takes 111 bits with the pause behind it, before stuffing
    # (ISO 11898-1), so no bus carries more of them.
    begin half_mbit can:vcan0,bitrate=500000,ask=no
    echo "half_mbit: $(frames paced vcan0 22520 4504)"
    finish half_mbit
    begin one_mbit can:vcan0,bitrate=1000000,ask=no
    echo "one_mbit: $(frames paced vcan0 45045 9009)"
    finish one_mbit
    drops full

    begin kinds can:vcan0,ask=no
    kinds=$program
    # The kernel hands over only what the profile names, and errors.
    printf '%s\n' 'extends = "switch-module"' '[[broadcast]]' 'id = "321"' 'bytes = "1"' 'channel = "battery_v"' \
        'resolution = 12' 'rate_hz = 1' >/tmp/wanted.toml
    begin wanted can:vcan0,ask=no,frames=wanted --profile /tmp/wanted.toml
    wanted=$program
    frames kinds vcan0 >/out/kinds.sent
    sleep 1
    program=$kinds
    finish kinds
    program=$wanted
    finish wanted

    begin down_up can:vcan0,ask=no
    frames paced vcan0 500 1000
    ip link set vcan0 down
    sleep 1
    ip link set vcan0 up
    sleep 2
    frames paced vcan0 500 1000
    ip link del vcan0
    sleep 1
    ip link add vcan0 mtu 72 type vcan
    ip link set vcan0 up
    sleep 2
    frames paced vcan0 500 1000
    finish down_up

    # A program that is held up while more arrives than the kernel keeps for it.
    begin overrun can:vcan0,ask=no
    frames paced vcan0 1 0
    kill -STOP "$program"
    echo "overrun: $(frames paced vcan0 60000 0)"
    kill -CONT "$program"
    sleep 2
    frames paced vcan0 1 0
    finish overrun

    # Two emulated controllers on one bus. They complete every send at once and ignore bit timing: nobody acknowledges and
    # a wrong bit rate cannot be shown here, and frames in a row are quicker than any bus; the receiver holds five.
    begin wire can:can1,bitrate=500000,ask=no
    echo "wire: $(frames spaced can0 200 50)"
    finish wire
    begin flood can:can1,bitrate=500000,ask=no
    echo "flood: $(frames paced can0 2000 0)"
    sleep 1
    finish flood
    drops end

    # The program asks; two controllers on the kernel's own ISO 15765-2 answer, on virtual CAN and over the wire, where the
    # interface is found listen-only. The key goes off after 8 s and on again after 18; short times instead of the profile's.
    quick="--set bus.quiet_s=2 --set bus.no_answer_s=4"
    ip link set can0 down
    ip link set can0 up type can bitrate 500000 listen-only on
    ip link set can1 down
    ip link set can1 up type can bitrate 500000 listen-only off
    # Beside them the simulated vehicle on two more buses, from some seconds before the vent is sealed on its drive: asked
    # on the virtual one, only listened to over the wire. Its engine started before the record, and is warm.
    ip link add vcan1 type vcan
    ip link set vcan1 up
    for i in can4 can5; do ip link set $i up type can bitrate 500000; done
    soakwatch play leak-2.00 --to can:vcan1 --to can:can4 --from 41320 >/tmp/play.txt 2>&1 &
    play=$!
    warm="--profile courier-van --set decay.start_above_ambient_k=50"
    begin played can:vcan1 $warm
    played=$program
    begin driven can:can5,ask=no $warm
    driven=$program
    begin heard can:can1,ask=no
    heard=$program
    begin asked_wire can:can0 $quick
    asked_wire=$program
    begin asked can:vcan0,bitrate=500000 $quick --set bus.flow_block=3 --set bus.flow_pause_ms=7
    asked=$program
    # A polled interface that somebody sets down in mid-run, and up again at another rate.
    ip link set can2 up type can bitrate 500000
    ip link set can3 up type can bitrate 500000
    begin again can:can2 $quick
    again=$program
    answerer can3 21 >/out/again.asked &
    (sleep 8 && ip link set can2 down && sleep 2 && ip link set can2 up type can bitrate 250000) &
    answerer can1 8 18 24 slow >/out/wire.asked &
    answerer vcan0 8 18 24 >/out/vcan.asked
    program=$asked
    finish asked
    program=$asked_wire
    finish asked_wire
    ip -details link show can0 | grep -o 'LISTEN-ONLY' | sed 's/^/left as found: /'
    program=$heard
    finish heard
    program=$again
    finish again
    ip -details link show can2 | grep -c 'LISTEN-ONLY' | sed 's/^/again, listen-only in the end: /'
    # The vent opens again after the sealed purge run.
    for _ in $(seq 300); do
        [ "$(grep -c 'phase: running' /tmp/played.txt)" -gt 1 ] && [ "$(grep -c 'phase: running' /tmp/driven.txt)" -gt 1 ] && break
        usleep 100000
    done
    program=$driven
    finish driven
    program=$played
    finish played
    # The kernel asks the simulated vehicle.
    for flow in "0 0" "1 0" "3 F3" "2 14"; do answerer ask vcan1 $flow; done
    kill -INT $play

    # Without the privilege it neither makes an interface listen-only nor lets one speak.
    mkdir -m 777 /tmp/mute
    as="frames nobody" begin mute can:can0
    answerer can1 4 >/dev/null
    finish mute
    echo "the small machine ran $(cut -d . -f 1 /proc/uptime) s"
} >/out/guest.txt 2>&1
sync
poweroff -f
