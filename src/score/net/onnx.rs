//! Of the messages in an ONNX file, those fields that are read here.
//!
//! # Source
//! onnx.proto of ONNX 1.23 (the file that the Python package `onnx` carries): names and field numbers.

#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct Model {
    #[prost(message, optional, tag = "7")]
    pub graph: Option<Graph>,
}

#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct Graph {
    #[prost(message, repeated, tag = "1")]
    pub node: Vec<Node>,
    #[prost(message, repeated, tag = "5")]
    pub initializer: Vec<Tensor>,
    #[prost(message, repeated, tag = "11")]
    pub input: Vec<ValueInfo>,
    #[prost(message, repeated, tag = "12")]
    pub output: Vec<ValueInfo>,
}

#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct ValueInfo {
    #[prost(string, tag = "1")]
    pub name: String,
}

#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct Node {
    #[prost(string, repeated, tag = "1")]
    pub input: Vec<String>,
    #[prost(string, repeated, tag = "2")]
    pub output: Vec<String>,
    #[prost(string, tag = "4")]
    pub op_type: String,
    #[prost(message, repeated, tag = "5")]
    pub attribute: Vec<Attribute>,
}

#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct Attribute {
    #[prost(string, tag = "1")]
    pub name: String,
    #[prost(int64, optional, tag = "3")]
    pub i: Option<i64>,
    #[prost(bytes = "vec", tag = "4")]
    pub s: Vec<u8>,
    #[prost(int64, repeated, packed = "false", tag = "8")]
    pub ints: Vec<i64>,
}

#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct Tensor {
    #[prost(int64, repeated, packed = "false", tag = "1")]
    pub dims: Vec<i64>,
    #[prost(int32, tag = "2")]
    pub data_type: i32,
    #[prost(float, repeated, tag = "4")]
    pub float_data: Vec<f32>,
    #[prost(string, tag = "8")]
    pub name: String,
    #[prost(bytes = "vec", tag = "9")]
    pub raw_data: Vec<u8>,
}

/// Kinds of numbers in a [`Tensor`].
pub(super) const FLOAT: i32 = 1;
pub(super) const INT8: i32 = 3;
pub(super) const FLOAT16: i32 = 10;
